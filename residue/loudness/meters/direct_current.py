"""Direct current: the part of a signal below 1 Hz that keeps its sign for seconds."""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

from residue.dsp.filters import SosFilter, lowpass
from residue.loudness.meters.hops import HOP_RATE_HZ

Floats = NDArray[np.float64]

CUTOFF_HZ, ORDER = 0.4, 4
"""The filter lowers a tone of 2 Hz by 56 dB, so that a tone at full scale stays far below the limit of the watchdog."""
HELD_S = 2.0
"""The low-passed edge of a sound that begins or ends keeps one sign for less than this."""


class DirectCurrentMeter:
    """The least magnitude of the low-passed signal over HELD_S for each output; 0 where its sign changed."""

    def __init__(self, outputs: int) -> None:
        self._smooth = SosFilter(lowpass(CUTOFF_HZ, HOP_RATE_HZ, ORDER), outputs)
        self._held: deque[tuple[int, Floats, Floats]] = deque()
        self._frames = 0

    def __call__(self, block: Floats) -> Floats:
        """Takes a block, (outputs, frames), of at least one frame; gives the level, (outputs,), full scale = 1."""
        smoothed = self._smooth(block)
        frames = block.shape[1]
        self._held.append((frames, np.min(smoothed, axis=1), np.max(smoothed, axis=1)))
        self._frames += frames
        while self._frames - self._held[0][0] >= HELD_S * HOP_RATE_HZ:
            self._frames -= self._held.popleft()[0]
        if self._frames < HELD_S * HOP_RATE_HZ:
            return np.zeros(len(block))
        lowest = np.minimum.reduce([low for _, low, _ in self._held])
        highest = np.maximum.reduce([high for _, _, high in self._held])
        found: Floats = np.maximum(0.0, np.maximum(lowest, -highest))
        return found
