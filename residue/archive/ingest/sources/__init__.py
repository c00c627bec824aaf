"""Openers of sources, one module for each family of formats.

An opener lists the contents of a file and does not change it.
"""
