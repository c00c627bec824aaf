"""Curves that bend a signal value by value."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact, kernel

Floats = NDArray[np.float64]

_TANH_REACHES_1 = 4.970_178_8
"""From here on the fraction below exceeds 1."""


def saturate(x: Floats) -> Floats:
    """tanh, within 1e-4, from operations that round the same everywhere.

    Source: Lambert's continued fraction for tanh, to the seventh power.
    """
    if kernel.COMPILED:
        return kernel.saturate(x, _TANH_REACHES_1)
    bounded = np.minimum(np.maximum(x, -_TANH_REACHES_1), _TANH_REACHES_1)
    square = bounded * bounded
    above = ((square + 378.0) * square + 17_325.0) * square + 135_135.0
    below = ((28.0 * square + 3_150.0) * square + 62_370.0) * square + 135_135.0
    bounded *= above
    bounded /= below
    return np.minimum(np.maximum(bounded, -1.0), 1.0)


def bend_above(x: Floats, knee: float, bound: float) -> Floats:
    """The value itself within -knee … knee; beyond, a smooth curve that never reaches the bound."""
    if not x.size or kernel.magnitudes(x).max() <= knee:
        return x
    size = np.abs(x)
    room = bound - knee
    over = np.maximum(size - knee, 0.0)
    bent = knee + over * room / (over + room)
    return np.where(size > knee, np.copysign(bent, x), x)


def leaving(share: Floats) -> Floats:
    """The gain of the source of a crossfade: 1 at share 0, 0 at share 1. Its power and that of `entering` make 1."""
    return exact.sine(np.uint64(1 << 62) - _quarter(share))


def entering(share: Floats) -> Floats:
    """The gain of the target of a crossfade."""
    return exact.sine(_quarter(share))


def _quarter(share: Floats) -> exact.Phases:
    """Shares as phases up to a quarter of a turn."""
    return (np.minimum(np.maximum(share, 0.0), 1.0) * 2.0**62).astype(np.uint64)
