"""Prepared channels, level profiles, plans and checkpoints, made in a process of their own."""
