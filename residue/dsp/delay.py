"""Delays of whole frames, as rings that are never copied."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def put_round(ring: Floats, at: int, frames: Floats) -> None:
    """Writes (…, frames) into a ring, (…, length), from a place on; what goes beyond its end goes to its beginning."""
    count = frames.shape[-1]
    first = min(count, ring.shape[-1] - at)
    ring[..., at : at + first] = frames[..., :first]
    ring[..., : count - first] = frames[..., first:]


class DelayLine:
    """Remembers the last `length` frames of some channels; silence before them.

    A call takes (channels, frames) and gives them delayed. A feedback loop uses `oldest` and `push` instead, in
    pieces no longer than the line.
    """

    def __init__(self, channels: int, length: int) -> None:
        self._ring = np.zeros((channels, length))
        self._at = 0

    @property
    def length(self) -> int:
        """The delay in frames."""
        return self._ring.shape[1]

    def oldest(self, frames: int) -> Floats:
        """A copy of the oldest frames, at most `length`, in their order."""
        end = self._at + frames
        if end <= self.length:
            return self._ring[:, self._at : end].copy()
        return np.concatenate((self._ring[:, self._at :], self._ring[:, : end - self.length]), axis=1)

    def push(self, block: Floats) -> None:
        """Takes in new frames, at most `length`, in the place of the oldest."""
        put_round(self._ring, self._at, block)
        self._at = (self._at + block.shape[1]) % self.length

    def __call__(self, block: Floats) -> Floats:
        """The block delayed by the line's length, (channels, frames)."""
        kept = block.shape[1] - self.length
        if kept < 0:
            out = self.oldest(block.shape[1])
            self.push(block)
            return out
        out = np.concatenate((self.oldest(self.length), block[:, :kept]), axis=1)
        self._ring, self._at = block[:, kept:].copy(), 0
        return out


class DelayLines:
    """Several lines of one channel each, of different lengths; silence in the beginning.

    ring: (all lengths together,), one line behind the other. lengths, at: (lines,), the latter the place of the oldest
    frame in each.
    """

    def __init__(self, lengths: Sequence[int]) -> None:
        self.lengths = np.array(lengths, np.int64)
        self.at = np.zeros(len(lengths), np.int64)
        self.ring = np.zeros(int(self.lengths.sum()))

    @property
    def longest(self) -> int:
        """The most frames that may be taken out and put in at once."""
        return int(self.lengths.min())

    def _lines(self) -> list[Floats]:
        return np.split(self.ring, np.cumsum(self.lengths)[:-1])

    def oldest(self, frames: int) -> Floats:
        """A copy of the oldest frames, at most `longest`, of each line: (lines, frames)."""
        found = np.empty((len(self.lengths), frames))
        for row, line, at in zip(found, self._lines(), self.at.tolist(), strict=True):
            whole = min(frames, len(line) - at)
            row[:whole], row[whole:] = line[at : at + whole], line[: frames - whole]
        return found

    def push(self, block: Floats) -> None:
        """Takes in new frames of each line, (lines, frames), at most `longest`, in the place of the oldest."""
        for row, line, at in zip(block, self._lines(), self.at.tolist(), strict=True):
            put_round(line, at, row)
        self.at = (self.at + block.shape[1]) % self.lengths
