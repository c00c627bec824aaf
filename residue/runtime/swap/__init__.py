"""Replaces performances while the house runs."""
