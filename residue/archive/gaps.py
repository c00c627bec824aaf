"""Gaps in recordings, bridged by straight lines, so that no NaN and no jump reaches the mapping graph."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from residue.dsp.resampling import Floats, SampleStream
from residue.dsp.switching import stretches

SHORTEST_TOLD_S = 0.1
"""Shorter gaps are bridged but not counted, so that a file with many small gaps needs no memory for them."""
_SEARCH_SAMPLES = 1 << 16


@dataclass(frozen=True, slots=True, order=True)
class Gap:
    """The samples start, …, stop - 1, which were not recorded or are not numbers."""

    start: int
    stop: int


class Bridged:
    """A stream without gaps: a straight line from the last sample before each to the first after it.

    In a gap at the very start or end the value of the nearest sample is kept; a stream without any sample is zero. The
    output does not depend on how it is read.
    """

    def __init__(self, stream: SampleStream) -> None:
        self._stream = stream
        self.rate_hz = stream.rate_hz
        self.length = stream.length
        self._met: dict[int, Gap] = {}
        self._latest = Gap(0, 0)

    @property
    def gaps(self) -> list[Gap]:
        """The gaps read so far that last SHORTEST_TOLD_S or longer, in order of time."""
        return sorted(self._met.values())

    def read(self, start: int, stop: int) -> Floats:
        """Samples start, …, stop - 1, all finite."""
        values = self._stream.read(start, stop)
        missing = ~np.isfinite(values)
        if not missing.any():
            return values
        values = values.copy()
        for first, last in stretches(missing):
            gap = self._whole(start + first, start + last, start=start, stop=stop)
            values[first:last] = self._line(gap, start + first, start + last)
        return values

    def _whole(self, first: int, last: int, *, start: int, stop: int) -> Gap:
        """The whole gap that contains the missing samples first, …, last - 1 of those read (start, …, stop - 1)."""
        if not self._latest.start <= first < last <= self._latest.stop:  # so that a gap of hours is searched only once
            begins = first if first > start else self._backwards(first)
            ends = last if last < stop else self._forwards(last)
            self._latest = Gap(begins, ends)
            if ends - begins >= SHORTEST_TOLD_S * self.rate_hz:
                self._met[begins] = self._latest
        return self._latest

    def _backwards(self, sample: int) -> int:
        """The position after the last recorded sample before `sample`, or 0."""
        while sample > 0:
            low = max(0, sample - _SEARCH_SAMPLES)
            recorded = np.flatnonzero(np.isfinite(self._stream.read(low, sample)))
            if len(recorded):
                return low + int(recorded[-1]) + 1
            sample = low
        return 0

    def _forwards(self, sample: int) -> int:
        """The first recorded sample from `sample` on, or the length."""
        while sample < self.length:
            high = min(self.length, sample + _SEARCH_SAMPLES)
            recorded = np.flatnonzero(np.isfinite(self._stream.read(sample, high)))
            if len(recorded):
                return sample + int(recorded[0])
            sample = high
        return self.length

    def _line(self, gap: Gap, first: int, last: int) -> Floats:
        before = float(self._stream.read(gap.start - 1, gap.start)[0]) if gap.start > 0 else None
        after = float(self._stream.read(gap.stop, gap.stop + 1)[0]) if gap.stop < self.length else None
        begin = before if before is not None else after if after is not None else 0.0
        end = after if after is not None else begin
        shares = (np.arange(first, last) - (gap.start - 1)) / (gap.stop - gap.start + 1)
        return begin + (end - begin) * shares
