"""Integrated loudness and loudness range, from the mean squares of short blocks.

All functions take weighted mean squares, full scale = 1, summed over channels.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Counts = NDArray[np.integer]

OFFSET_LU = -0.691
"""ITU-R BS.1770-5, Annex 1, eq. 2."""
_ABSOLUTE_GATE_LUFS = -70.0
_RELATIVE_GATE_LU = -10.0
"""ITU-R BS.1770-5, Annex 1, eqs. 5 to 7."""
_RANGE_GATE_LU = -20.0
_RANGE_PERCENTILES = (10.0, 95.0)
"""EBU Tech 3342, section 2."""


def lufs(mean_square: float) -> float | None:
    """Loudness of a K-weighted mean square; None for silence."""
    return OFFSET_LU + 10.0 * float(np.log10(mean_square)) if mean_square > 0.0 else None


def powers(levels_lufs: Floats) -> Floats:
    """K-weighted mean squares of some levels of loudness."""
    found: Floats = 10.0 ** ((levels_lufs - OFFSET_LU) / 10.0)
    return found


def _power(level_lufs: float) -> float:
    return float(10.0 ** ((level_lufs - OFFSET_LU) / 10.0))


def _relative(level_lu: float) -> float:
    return float(10.0 ** (level_lu / 10.0))


def _mean(blocks: Floats, times: Counts) -> float:
    return float(np.add.reduce(blocks * times) / np.add.reduce(times))


def integrated_lufs(blocks: Floats, times: Counts | None = None) -> float | None:
    """blocks: (n,), of 400 ms every 100 ms; `times` says how often each came. None if no block passes the gates."""
    times = np.ones(len(blocks), dtype=np.int64) if times is None else times
    gated = blocks > _power(_ABSOLUTE_GATE_LUFS)
    if not gated.any():
        return None
    gated &= blocks > _mean(blocks[gated], times[gated]) * _relative(_RELATIVE_GATE_LU)
    return lufs(_mean(blocks[gated], times[gated]))


def loudness_range_lu(short_term: Floats, times: Counts | None = None) -> float | None:
    """short_term: (n,), of 3 s every 100 ms, each so many times. None if nothing passes the gates.

    Source: EBU Tech 3342.
    """
    times = np.ones(len(short_term), dtype=np.int64) if times is None else times
    gated = short_term >= _power(_ABSOLUTE_GATE_LUFS)
    if not gated.any():
        return None
    gated &= short_term >= _mean(short_term[gated], times[gated]) * _relative(_RANGE_GATE_LU)
    order = np.argsort(short_term[gated])
    ranked, until = short_term[gated][order], np.cumsum(times[gated][order])
    places = [int(np.floor((until[-1] - 1) * percent / 100.0 + 0.5)) for percent in _RANGE_PERCENTILES]
    low, high = (ranked[np.searchsorted(until, place, side="right")] for place in places)
    return 10.0 * float(np.log10(high / low))
