"""Calibration of a room with a sound level meter, at the terminal."""
