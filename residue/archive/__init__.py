"""Archived performances: bags, their channels, readers of recordings, and the prepared cache."""
