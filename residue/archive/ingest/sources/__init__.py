"""Openers of sources, one module a family of formats: each says what is in a file without changing it."""
