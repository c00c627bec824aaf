"""Sound that is read at another speed than it came, which moves its pitch."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact, filters
from residue.dsp.exact import Floats

ONE = 1 << 32
"""A speed of 1. Speeds are counted in 2**-32 frames of the sound for each frame of output."""
_CLEAN_HZ = 18_000.0


def places(frames: NDArray[np.int64], step: int) -> tuple[NDArray[np.int64], Floats]:
    """The frame of the sound before each frame of output at the speed `step`, and the share of the way to the next."""
    ways = frames * step
    return ways >> 32, (ways & (ONE - 1)) / ONE


def lowpass_to_raise(octaves: float, rate_hz: float) -> Floats:
    """Sections of the low-pass after which a sound may be raised by so many octaves: nothing folds back."""
    sections = filters.lowpass(_CLEAN_HZ * exact.power(2.0, -octaves), rate_hz, 8)
    return np.vstack((sections, sections))
