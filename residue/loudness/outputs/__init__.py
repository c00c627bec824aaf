"""Outputs of a room and their calibration: from dBFS to levels at the visitor's place."""
