"""Growing channels, converted exactly as the archive converts them afterwards."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from residue.archive.conversion import SAMPLE, fitted
from residue.archive.performance import LONGEST_S
from residue.dsp.resampling import Floats, resampled
from residue.mapping.signals import AUDIO_RATE_HZ, RATE_HZ, Kind

_KEPT_S = 2
_KEPT_SAMPLES = 1_000
"""More samples than the filters of a conversion need, also at the lowest rate."""
_TRIED = 400
"""The lengths that are tried to find the look-ahead of a conversion: more than its filters have phases."""


class GrowingTrack:
    """A stream in physical values that grows while it is read; it keeps the last seconds.

    length: unlimited until `end_at`.
    """

    def __init__(self, rate_hz: int, full_scale: float) -> None:
        self.rate_hz = Fraction(rate_hz)
        self.length = round(LONGEST_S * rate_hz)
        self._scale = np.float64(full_scale)
        self._kept, self._first = np.empty(0, np.float32), 0

    @property
    def received(self) -> int:
        """The number of samples received so far."""
        return self._first + len(self._kept)

    def append(self, samples: NDArray[np.float32]) -> None:
        """Appends samples exactly as they are written into the bag."""
        kept = self._kept
        surplus = max(0, len(kept) - max(_KEPT_S * int(self.rate_hz), _KEPT_SAMPLES))
        self._kept, self._first = np.concatenate((kept[surplus:], samples)), self._first + surplus

    def end_at(self, length: int) -> None:
        """Sets the end: there is no sample from there on."""
        self.length = length

    def read(self, start: int, stop: int) -> Floats:
        """Samples start, …, stop - 1; raises IndexError for samples that are not there yet, or no longer."""
        if start < self._first or stop > self.received:
            raise IndexError(f"Samples {start} to {stop} of {self._first} to {self.received}")
        return self._kept[start - self._first : stop - self._first] * self._scale


class GrowingSamples:
    """A growing track at the rate of a kind of signal, with the same bits as later in the archive's cache."""

    def __init__(self, track: GrowingTrack, kind: Kind) -> None:
        self._track, self._rate_hz = track, RATE_HZ[kind]

    def __len__(self) -> int:
        return resampled(self._track, self._rate_hz, short=True).length

    def __getitem__(self, part: slice, /) -> NDArray[np.float32]:
        return fitted(resampled(self._track, self._rate_hz, short=True).read(part.start, part.stop))


def look_ahead_frames(rate_hz: int, kind: Kind) -> int:
    """The frames by which the graph must be later than the input, so that a conversion never lacks a sample."""
    asked, late = _Asked(rate_hz), 0
    stream, frames_each = resampled(asked, RATE_HZ[kind], short=True), AUDIO_RATE_HZ // RATE_HZ[kind]
    start = 10 * RATE_HZ[kind]
    for stop in range(start + 1, start + _TRIED):
        asked.last = 0
        stream.read(start, stop)
        late = max(late, math.ceil(Fraction(asked.last * AUDIO_RATE_HZ, rate_hz)) - (stop - 1) * frames_each - 1)
    return late


class _Asked:
    """A silent stream that remembers the furthest sample that was read."""

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = Fraction(rate_hz)
        self.length = round(LONGEST_S * rate_hz)
        self.last = 0

    def read(self, start: int, stop: int) -> Floats:
        self.last = max(self.last, stop)
        return np.zeros(stop - start, SAMPLE).astype(np.float64)
