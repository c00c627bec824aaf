"""Integrated loudness and loudness range, from the mean squares of short blocks.

All functions take weighted mean squares, full scale = 1, summed over channels.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

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


def _power(level_lufs: float) -> float:
    return float(10.0 ** ((level_lufs - OFFSET_LU) / 10.0))


def _relative(level_lu: float) -> float:
    return float(10.0 ** (level_lu / 10.0))


def integrated_lufs(blocks: Floats) -> float | None:
    """blocks: (n,), of 400 ms every 100 ms. None if no block passes the gates."""
    loud = blocks[blocks > _power(_ABSOLUTE_GATE_LUFS)]
    if not len(loud):
        return None
    return lufs(float(np.mean(loud[loud > np.mean(loud) * _relative(_RELATIVE_GATE_LU)])))


def loudness_range_lu(short_term: Floats) -> float | None:
    """short_term: (n,), of 3 s every 100 ms. None if nothing passes the gates. Source: EBU Tech 3342."""
    loud = short_term[short_term >= _power(_ABSOLUTE_GATE_LUFS)]
    if not len(loud):
        return None
    ranked = np.sort(loud[loud >= np.mean(loud) * _relative(_RANGE_GATE_LU)])
    low, high = (ranked[int(np.floor((len(ranked) - 1) * percent / 100.0 + 0.5))] for percent in _RANGE_PERCENTILES)
    return 10.0 * float(np.log10(high / low))
