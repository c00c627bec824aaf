"""Engine, house, daemon and log."""
