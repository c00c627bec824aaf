"""Finds steps in the magnitude of an acceleration as it comes.

A step is a peak of the smoothed magnitude that is the highest within a window, and high enough; and it is one of a
row, at a distance like that of the steps before it, so that a jolt is no step. Source: windowed peak detection after
Brajdic and Harle, Walk detection and step counting on unconstrained smartphones, UbiComp (2013) 225-234: smoothed over
0.31 s, window of 0.59 s (from memory). The row after Zhao, Full-featured pedometer design realized with 3-axis digital
accelerometer, Analog Dialogue 44-06 (2010): steps lie 0.2 to 2 s apart (from memory).
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

import numpy as np

from residue.dsp.exact import Floats

_RATE_HZ = 50
"""Means over a fiftieth of a second keep what a walking body moves (below 20 Hz)."""
_SMOOTHED = 15
_WINDOW = 29
"""Values of the smoothed magnitude: 0.3 and 0.58 s, odd numbers so that both lie around a value."""
_SHORTEST_S, _LONGEST_S = 0.25, 2.0
_ALIKE = 0.7
"""Of the shorter to the longer of two times from step to step; our choice."""


class Footstep(NamedTuple):
    """One step, known at a place in the stream, counted from 0; interval: from the peak before."""

    known_at: int
    interval: int


class StepFinder:
    """Takes the magnitude at rate_hz piece by piece, and gives the steps that became known.

    least: how far a step stands out of the 0.6 s around it, in the unit of the magnitude.
    """

    def __init__(self, rate_hz: int, least: float) -> None:
        self._hop, self._least = rate_hz // _RATE_HZ, least
        self._waiting, self._hops = np.empty(0), 0
        self._recent, self._smooth = deque[float](maxlen=_SMOOTHED), deque[float](maxlen=_WINDOW)
        self._last, self._interval = 0, 0  # of any peak
        self._step, self._step_at = 0, 0  # of the last one in a row
        self._shortest, self._longest = round(_SHORTEST_S * rate_hz), round(_LONGEST_S * rate_hz)

    def __call__(self, magnitude: Floats) -> list[Footstep]:
        """The steps that became known within these values."""
        waiting = np.concatenate((self._waiting, magnitude))
        count = len(waiting) // self._hop
        hops = np.add.reduce(waiting[: count * self._hop].reshape(count, self._hop), axis=1) / self._hop
        self._waiting = waiting[count * self._hop :]
        return [step for value in hops.tolist() for step in self._one(value)]

    def _one(self, value: float) -> list[Footstep]:
        """One more mean: the step that it makes known, if there is one."""
        self._hops += 1
        self._recent.append(value)
        total = 0.0
        for one in self._recent:
            total += one
        self._smooth.append(total / len(self._recent))
        middle = _WINDOW // 2
        if self._hops < _SMOOTHED + _WINDOW or self._smooth[middle] < max(self._smooth):
            return []
        if self._smooth[middle] - min(self._smooth) < self._least:
            return []
        at = (self._hops - middle - _SMOOTHED // 2) * self._hop
        before, self._interval, self._last = self._interval, at - self._last, at
        if not self._shortest <= self._interval <= self._longest:
            return []
        in_row = self._step if at - self._step_at <= self._longest else before
        if not (_alike(self._interval, before) or _alike(self._interval, in_row)):
            return []
        self._step, self._step_at = self._interval, at
        return [Footstep(self._hops * self._hop - 1, self._interval)]


def _alike(one: int, other: int) -> bool:
    return min(one, other) >= _ALIKE * max(one, other)
