"""A stream that begins later on the time of its source."""

from __future__ import annotations

import numpy as np

from residue.dsp.resampling import Floats, SampleStream


class Later:
    """A stream with so many missing samples before it."""

    def __init__(self, stream: SampleStream, samples: int) -> None:
        self._stream, self._late = stream, samples
        self.rate_hz = stream.rate_hz
        self.length = stream.length + samples

    def read(self, start: int, stop: int) -> Floats:
        """Samples start, …, stop - 1; NaN before the stream begins."""
        silent = np.full(min(max(self._late - start, 0), stop - start), np.nan)
        inner = max(start - self._late, 0)
        return np.concatenate((silent, self._stream.read(inner, max(stop - self._late, inner))))
