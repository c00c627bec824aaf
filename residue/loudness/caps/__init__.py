"""Caps: the quantities that they limit, the published rules behind them, and the places where they measure."""
