"""The running installation: house, engine, daemon, and the commands around them."""
