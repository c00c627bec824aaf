"""Phases of oscillators, counted in integers so that they wrap without rounding."""

from __future__ import annotations

import numpy as np

from residue.dsp.exact import TURN, Floats, Phases


class Phasor:
    """A phase that advances by a frequency, starting at 0; 2**64 is one turn."""

    def __init__(self, rate_hz: float) -> None:
        self._per_hz = TURN / rate_hz
        self._phase = np.zeros(1, np.uint64)

    def __call__(self, frequency_hz: float | Floats, frames: int) -> Phases:
        """(frames,): the phase at each frame. frequency_hz: a number or (frames,), from 0 to half the rate."""
        if isinstance(frequency_hz, float):
            steps = np.full(frames, int(frequency_hz * self._per_hz), np.uint64)
        else:
            steps = (frequency_hz * self._per_hz).astype(np.uint64)
        phases = np.cumsum(np.concatenate((self._phase, steps)))
        self._phase = phases[-1:].copy()
        return phases[:-1]
