"""A stream played a few millionths faster or slower than it was made: a fractional delay that moves.

Each frame of output is the value of the band-limited signal at a place between its samples, by a Kaiser-windowed sinc.
Up to 20 kHz it is that value within 0.001 dB and -90 dB, and no frequency ever becomes louder. Places are integers, so
the same speeds give the same bits, whatever the blocks.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.dsp.kernel import Polyphase, polyphase
from residue.dsp.resampling import bessel_i0

Floats = NDArray[np.float64]

ONE = 1 << 32
"""A speed of 1. Speeds are counted in 2**-32 frames of input for each frame of output."""
TAPS = 48
BEFORE = TAPS // 2 - 1
"""The samples of the filter before the one to the left of a place."""
_PHASE_BITS = 8
PHASES = 1 << _PHASE_BITS
"""Between two of them the filter moves in a straight line, which is right to -97 dB at 20 kHz."""
_FINE_BITS = 32 - _PHASE_BITS
_KAISER_BETA = 9.0
_BELOW_ONE = 1.0 - 2.0**-13
"""-0.001 dB: more than the ripple of the filter, so that no frequency is raised."""


class Retimer:
    """Plays a stream of (channels, frames) at a speed near 1 that may be another in each block."""

    def __init__(self, channels: int) -> None:
        self._held = np.zeros((channels, TAPS - 1))
        self._at = 0
        """The place of the next output frame: the first sample of its filter, in 2**-32 samples of those held."""

    @property
    def pending_frames(self) -> float:
        """How long after the next frame of output the next frame of input is heard, in frames."""
        return self._held.shape[1] - BEFORE - self._at / ONE

    def __call__(self, frames: Floats, speed: int) -> Floats:
        """(channels, more or fewer frames): all output frames that these frames of input complete."""
        joined = np.concatenate((self._held, frames), axis=1)
        usable = joined.shape[1] - TAPS + 1  # places from here on need samples that are still to come
        count = max(0, -((self._at - (usable << 32)) // speed))
        places = self._at + np.arange(count, dtype=np.int64) * speed
        given = np.empty((len(joined), count))
        fine = (places & ((1 << _FINE_BITS) - 1)) / (1 << _FINE_BITS)
        cells = places >> _FINE_BITS
        for first, last in _runs(cells):
            sample, phase = divmod(int(cells[first]), PHASES)
            span = slice(sample, sample + (last - first) + TAPS - 1)
            for channel, row in enumerate(joined):
                low, high = (_filters()[one](row[span], TAPS - 1, last - first) for one in (phase, phase + 1))
                given[channel, first:last] = low + fine[first:last] * (high - low)
        after = self._at + count * speed
        whole = after >> 32
        self._held, self._at = joined[:, whole:].copy(), after - (whole << 32)
        return given


def _runs(cells: NDArray[np.int64]) -> list[tuple[int, int]]:
    """The stretches in which each place is one sample after the one before, in the same phase."""
    steady = cells - np.arange(len(cells), dtype=np.int64) * PHASES
    ends = [*(np.flatnonzero(np.diff(steady)) + 1).tolist(), len(cells)] if len(cells) else []
    return list(zip([0, *ends], ends, strict=False))


@cache
def _filters() -> tuple[Polyphase, ...]:
    """The filter for each phase, from a place at a sample to one at the next."""
    return tuple(polyphase(taps(phase / PHASES)[::-1].copy(), up=1) for phase in range(PHASES + 1))


def taps(share: float) -> Floats:
    """(TAPS,): the weights of the samples around a place, which is this share of the way between the middle two."""
    away = np.arange(TAPS) - BEFORE - share
    sinc = [1.0 if one == 0.0 else exact.sin_turns(float(one) / 2.0) / (math.pi * float(one)) for one in away]
    reach = away / (TAPS // 2)
    weights = np.array(sinc) * bessel_i0(_KAISER_BETA * np.sqrt(np.maximum(0.0, 1.0 - reach * reach)))
    scaled: Floats = weights / np.add.reduce(weights) * _BELOW_ONE
    return scaled
