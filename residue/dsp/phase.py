"""Phases of oscillators, counted in integers so that they wrap without rounding."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from residue.dsp import kernel
from residue.dsp.exact import TURN, Floats, Phases


class Phasor:
    """A phase that advances by a frequency, starting at 0; 2**64 is one turn."""

    def __init__(self, rate_hz: float) -> None:
        self._per_hz = TURN / rate_hz
        self._phase = np.zeros(1, np.uint64)

    def __call__(self, frequency_hz: float | Floats, frames: int) -> Phases:
        """(frames,): the phase at each frame. frequency_hz: a number or (frames,), from 0 to half the rate."""
        if isinstance(frequency_hz, float):
            step = np.uint64(int(frequency_hz * self._per_hz))
            phases = self._phase + np.arange(frames + 1, dtype=np.uint64) * step
            self._phase = phases[-1:].copy()
            return phases[:-1]
        if kernel.COMPILED:
            return kernel.turn(frequency_hz, self._phase, self._per_hz)
        steps = (frequency_hz * self._per_hz).astype(np.uint64)
        phases = np.cumsum(np.concatenate((self._phase, steps)))
        self._phase = phases[-1:].copy()
        return phases[:-1]


class Pulses:
    """The frames at which a phase that advances by a frequency begins a turn; the first frame is one of them.

    The steps are rounded up, so that a period of whole frames is kept to the frame for as long as a performance lasts.
    """

    def __init__(self, rate_hz: float) -> None:
        self._per_hz = TURN / rate_hz
        self._phase = np.zeros(1, np.uint64)
        self._due = True

    def __call__(self, frequency_hz: float | Floats, frames: int) -> NDArray[np.int64]:
        """Frames from 0 to frames - 1. frequency_hz: a number or (frames,), from 0 to half the rate."""
        steps = np.floor(np.zeros(frames) + frequency_hz * self._per_hz).astype(np.uint64) + np.uint64(1)
        phases = np.cumsum(np.concatenate((self._phase, steps)))
        due = np.concatenate(([self._due], phases[1:] < phases[:-1]))
        self._phase, self._due = phases[-1:].copy(), bool(due[-1])
        return np.flatnonzero(due[:-1])
