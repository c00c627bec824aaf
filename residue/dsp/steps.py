"""Finds steps in the magnitude of an acceleration as it comes.

A step is a peak of the low-passed magnitude that is the highest within a window, and high enough; and it must follow
other steps at a similar distance, so that a jolt is no step. Source: windowed peak detection after Brajdic and Harle,
Walk detection and step counting on unconstrained smartphones, UbiComp (2013) 225-234, with a window of 0.59 s (from
memory). The row of steps is after Zhao, Full-featured pedometer design realized with 3-axis digital accelerometer,
Analog Dialogue 44-06 (2010): steps lie 0.2 to 2 s apart (from memory).
"""

from __future__ import annotations

from collections import deque
from statistics import median
from typing import NamedTuple

from residue.dsp import filters
from residue.dsp.exact import Floats
from residue.dsp.filters import FromFirst, SosFilter

_RATE_HZ = 50
_LOWPASS_HZ = 3.0
"""Even runners seldom make more steps a second; anything faster is the shock of a single step. Our choice."""
_WINDOW = 29
"""In values at 50 Hz: 0.58 s, an odd number so that the window has a middle."""
_SHORTEST_S, _LONGEST_S = 0.25, 2.0
_ALIKE = 0.7
"""The least ratio of the shorter to the longer of two times from step to step. Our choice."""
_UNSURE, _USUAL_OF = 0.7, 5
"""Such a ratio to the usual time from step to step is no walk: shaking at random has 0.78 in the mean, the walk of a
person 0.97. Our choice.
"""


class Footstep(NamedTuple):
    """One step, known at a place in the stream, counted from 0.

    interval: the number of values from the peak before. sure: how near that is to the usual one, 0 to 1.
    """

    known_at: int
    interval: int
    sure: float


class StepFinder:
    """Takes the magnitude at rate_hz piece by piece, and gives the steps that became known.

    least: the least height of a step above the 0.6 s around it, in the unit of the magnitude.
    """

    def __init__(self, rate_hz: int, least: float) -> None:
        self._hop, self._least, self._seen = rate_hz // _RATE_HZ, least, 0
        self._level, self._lowpass = FromFirst(), SosFilter(filters.lowpass(_LOWPASS_HZ, rate_hz))
        self._recent = deque[float](maxlen=_WINDOW)
        self._last, self._interval = 0, 0  # the last peak
        self._step, self._step_at = 0, 0  # the last peak in a row
        self._usual = deque[int](maxlen=_USUAL_OF)
        self._shortest, self._longest = round(_SHORTEST_S * rate_hz), round(_LONGEST_S * rate_hz)

    def __call__(self, magnitude: Floats) -> list[Footstep]:
        """The steps that became known within these values."""
        slow = self._lowpass(self._level(magnitude))
        first = -self._seen % self._hop
        places = range(self._seen + first, self._seen + len(slow), self._hop)
        found = [
            step
            for place, value in zip(places, slow[first :: self._hop].tolist(), strict=True)
            for step in self._one(place, value)
        ]
        self._seen += len(slow)
        return found

    def _one(self, place: int, value: float) -> list[Footstep]:
        """Takes one more value; gives the step that it makes known, if there is one."""
        self._recent.append(value)
        middle = _WINDOW // 2
        if len(self._recent) < _WINDOW or self._recent[middle] < max(self._recent):
            return []
        if self._recent[middle] - min(self._recent) < self._least:
            return []
        at = place - middle * self._hop
        before, self._interval, self._last = self._interval, at - self._last, at
        if not self._shortest <= self._interval <= self._longest:
            return []
        in_row = self._step if at - self._step_at <= self._longest else before
        if not (_alike(self._interval, before) or _alike(self._interval, in_row)):
            return []
        if at - self._step_at > self._longest:
            self._usual.clear()
        ratio = _ratio(self._interval, median(self._usual or (before,)))
        self._usual.append(self._interval)
        self._step, self._step_at = self._interval, at
        return [Footstep(place, self._interval, max(ratio - _UNSURE, 0.0) / (1.0 - _UNSURE))]


def _alike(one: int, other: int) -> bool:
    return _ratio(one, other) >= _ALIKE


def _ratio(one: float, other: float) -> float:
    """The ratio of the shorter to the longer; one of them is above 0."""
    return min(one, other) / max(one, other)
