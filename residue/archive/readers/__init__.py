"""Readers of recordings, one module for each family of formats: each opens a channel in physical units."""
