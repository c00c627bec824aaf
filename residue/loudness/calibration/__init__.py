"""The calibration procedure and the signals that it plays."""
