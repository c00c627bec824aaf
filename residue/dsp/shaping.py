"""Curves that bend a signal value by value."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact

Floats = NDArray[np.float64]

_TANH_REACHES_1 = 4.970_178_8
"""Where the fraction below passes 1."""


def saturate(x: Floats) -> Floats:
    """tanh, within 1e-4, from operations that round the same everywhere.

    Source: Lambert's continued fraction for tanh, to the seventh power.
    """
    bounded = np.clip(x, -_TANH_REACHES_1, _TANH_REACHES_1)
    square = bounded * bounded
    above = ((square + 378.0) * square + 17_325.0) * square + 135_135.0
    below = ((28.0 * square + 3_150.0) * square + 62_370.0) * square + 135_135.0
    value: Floats = np.clip(bounded * above / below, -1.0, 1.0)
    return value


def bend_above(x: Floats, knee: float, bound: float) -> Floats:
    """The value itself within -knee … knee, and beyond it bent smoothly so that it never reaches the bound."""
    size = np.abs(x)
    if not size.size or size.max() <= knee:
        return x
    room = bound - knee
    over = np.maximum(size - knee, 0.0)
    bent = knee + over * room / (over + room)
    return np.where(size > knee, np.copysign(bent, x), x)


def equal_power(share: Floats) -> tuple[Floats, Floats]:
    """Gains of two places whose powers add up to 1: all in the first at share 0, all in the second at 1."""
    quarter = np.uint64(1 << 62)
    phase = np.floor(np.clip(share, 0.0, 1.0) * 2.0**62).astype(np.uint64)
    return exact.sine(quarter - phase), exact.sine(phase)
