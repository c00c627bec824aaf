"""Levels in decibels."""

from __future__ import annotations

from math import inf, log10


def db_of_power(mean_square: float) -> float:
    """Level of a mean square; -inf for silence. A full-scale sine, mean square 0.5, reads -3.01."""
    return 10.0 * log10(mean_square) if mean_square > 0.0 else -inf


def db_of_magnitude(magnitude: float) -> float:
    """Level of a magnitude; -inf for silence."""
    return 20.0 * log10(magnitude) if magnitude > 0.0 else -inf
