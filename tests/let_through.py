"""Warnings of libraries that tests' own processes let through; those of pytest itself stand in pyproject.toml."""

from __future__ import annotations

OF_BAGIT = "ignore:'count' is passed as positional argument:DeprecationWarning:bagit"
"""From Python 3.13 on; bagit 1.9 has it."""
