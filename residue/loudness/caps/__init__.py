"""Caps: what they limit, the published rules behind them, and where they listen."""
