"""Ingest: from whatever came out of the evening to one sealed, self-describing performance."""
