"""Commands that work without a daemon: render, trace, verify, check, caps, record."""
