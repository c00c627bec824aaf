"""Weightings and meters after published standards. They know nothing of rooms and caps."""
