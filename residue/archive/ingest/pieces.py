"""Recordings whose samples a library reads piece by piece."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from residue.dsp.resampling import Floats


class ReadInPieces:
    """The samples of all signals of a recording; keeps the last piece, so that its signals share it."""

    def __init__(
        self, load: Callable[[int, int], Floats], *, length: int, rate_hz: Fraction, signals: int, piece_samples: int
    ) -> None:
        """load: gives the samples start, …, stop - 1 of all signals, (samples, signals); may raise ProblemError."""
        self.length, self.rate_hz = length, rate_hz
        self._load, self._piece_samples = load, piece_samples
        self._start, self._held = 0, np.empty((0, signals))

    def read(self, signal: int, *, start: int, stop: int) -> Floats:
        """Samples start, …, stop - 1 of one signal. Raises ProblemError."""
        parts = [np.empty(0)]
        while start < stop:
            if not self._start <= start < self._start + len(self._held):
                self._start = start // self._piece_samples * self._piece_samples
                self._held = self._load(self._start, min(self._start + self._piece_samples, self.length))
            part = self._held[start - self._start : stop - self._start, signal]
            parts.append(part)
            start += len(part)
        return np.concatenate(parts)


@dataclass(frozen=True)
class PieceSignal:
    """One signal of such a recording as a stream."""

    recording: ReadInPieces
    number: int
    per_unit: float = 1.0
    """How many units of the stream a unit of the library is."""

    @property
    def rate_hz(self) -> Fraction:
        """The sampling rate, in Hz."""
        return self.recording.rate_hz

    @property
    def length(self) -> int:
        """The length in samples."""
        return self.recording.length

    def read(self, start: int, stop: int) -> Floats:
        """Samples start, …, stop - 1."""
        return self.recording.read(self.number, start=start, stop=stop) * self.per_unit
