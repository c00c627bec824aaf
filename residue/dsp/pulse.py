"""Finds the beats in a pulse wave as it comes, without ever looking ahead.

A beat is where the band-passed wave rises through a share of the highest recent wave. Waves that are much lower, such
as the dicrotic one, do not count. Like a beat in an ECG it must look like one of those before it: noise seldom does.
Source: adaptive threshold, common practice; compared with other detectors on recordings.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence

import numpy as np

from residue.dsp import filters
from residue.dsp.exact import Floats
from residue.dsp.filters import FromFirst, SosFilter
from residue.dsp.likeness import correlation
from residue.dsp.sliding import sliding_maximum

_BAND_HZ = (0.5, 8.0)
_APART_S = 0.27
_LEAST = 1e-9
_SHARE = 0.5
"""A beat is where the wave rises through this share of the highest recent wave. Our choice."""
_OF_LATE_S = 2.0
KNOWN_AFTER_S = 0.2
_LEAST_WIDTH_S = 0.05
"""A wave of the pulse stays up for longer, hum of the mains does not. Our choice."""
_COMPARED_HZ = 100
_ALIKE = 0.75
"""The correlation from which two waves look alike. Our choice."""
_COMPARED_WITH = 4
_MOST_CREDIT = 2
"""So many waves in a row may look like none before, if the earlier ones looked alike. Our choice."""
_OF_LATE, _NOISE = 8, 0.7
"""The average likeness over so many waves must reach this: a pair of noise is sometimes alike, many are not."""


class PulseFinder:
    """Takes a pulse wave at rate_hz piece by piece and gives the places, counted from 0, where a beat became known."""

    def __init__(self, rate_hz: int) -> None:
        self._level, self._band = FromFirst(), SosFilter(filters.bandpass(_BAND_HZ, rate_hz))
        self._highest = sliding_maximum(round(_OF_LATE_S * rate_hz))
        self._late = round(KNOWN_AFTER_S * rate_hz)
        self._past = np.zeros(2 * self._late)
        self._apart, self._every = round(_APART_S * rate_hz), rate_hz // _COMPARED_HZ
        self._least_width = round(_LEAST_WIDTH_S * rate_hz)
        self._was_above, self._seen, self._last = False, 0, -self._apart
        self._familiar = _Familiar()

    def __call__(self, wave: Floats) -> list[int]:
        """The beats that became known within these values."""
        band = self._band(self._level(wave))
        known = np.concatenate((self._past, band))
        above = known[self._late : self._late + len(wave)] >= np.maximum(_SHARE * self._highest(band), _LEAST)
        rises = np.flatnonzero(above & ~np.concatenate(([self._was_above], above))[:-1])
        beats = [
            self._seen + index
            for index in rises.tolist()
            if self._is_beat(self._seen + index, known[index : index + 2 * self._late])
        ]
        self._was_above = bool(above[-1]) if len(above) else self._was_above
        self._past, self._seen = known[len(wave) :], self._seen + len(wave)
        return beats

    def _is_beat(self, at: int, around: Floats) -> bool:
        """Whether it is a beat. around: the wave before and after the rise."""
        if at - self._last < self._apart or around[self._late : self._late + self._least_width].min() <= 0.0:
            return False
        self._last = at
        return self._familiar(around[:: self._every].tolist())


class _Familiar:
    """Tells whether waves look like those before them.

    A wave that looks like none of the last few is accepted if those before it looked alike.
    """

    def __init__(self) -> None:
        self._seen: deque[Sequence[float]] = deque(maxlen=_COMPARED_WITH)
        self._likeness: deque[float] = deque(maxlen=_OF_LATE)
        self._credit = 0

    def __call__(self, shape: Sequence[float]) -> bool:
        """Whether to accept a wave of this shape, the next in time."""
        likeness = max((0.0, *(correlation(shape, seen) for seen in self._seen)))
        self._seen.append(shape)
        self._likeness.append(likeness)
        believed = likeness > _ALIKE or self._credit > 0
        self._credit = min(self._credit + 1, _MOST_CREDIT) if likeness > _ALIKE else max(self._credit - 1, 0)
        is_noise = len(self._likeness) == _OF_LATE and math.fsum(self._likeness) < _NOISE * _OF_LATE
        return believed and not is_noise
