"""Readers of recordings, one module a family of formats: each opens one channel as a stream in physical units."""
