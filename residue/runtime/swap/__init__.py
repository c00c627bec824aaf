"""Performances that take others' places while the house runs."""
