"""Putting one performance in the place of another."""
