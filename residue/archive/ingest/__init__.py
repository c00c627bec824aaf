"""Ingest: turns all recordings of an evening into one sealed performance that describes itself."""
