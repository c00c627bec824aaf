"""Sums and extremes over the last values of a stream, exact and cheap for any length of window."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from residue.dsp import kernel
from residue.dsp.filters import SUBNORMAL_GUARD
from residue.dsp.switching import Bools

Floats = NDArray[np.float64]


class Sliding:
    """Folds the last `window` values of a stream by an associative operation such as np.add or np.maximum.

    The stream is cut into chunks of the window's length, counted from its first value. A window then is the end of one
    chunk and the beginning of the next, and both are running folds. Nothing is ever subtracted, so nothing drifts, and
    the result does not depend on the blocks. Before the stream every value is `identity`. Source: van Herk (1992), Gil
    and Werman (1993), who do it for extremes.
    """

    def __init__(self, fold: np.ufunc, window: int, identity: float = 0.0) -> None:
        self._fold, self._identity = fold, identity
        self._chunk = np.full(window, identity)
        self._ends = np.full(window, identity)  # [j]: fold of the previous chunk from value j + 1 on
        self._begun = np.full(1, identity)  # fold of the present chunk so far
        self._filled = 0

    def __call__(self, block: Floats) -> Floats:
        """The fold up to each value, (frames,)."""
        if kernel.COMPILED and self._fold in kernel.FOLDS:
            return self._slid(block)
        out = np.empty(len(block))
        done = 0
        while done < len(block):
            count = min(len(self._chunk) - self._filled, len(block) - done)
            out[done : done + count] = self._within_chunk(block[done : done + count])
            done += count
        return out

    def _slid(self, block: Floats) -> Floats:
        maximum = self._fold is np.maximum
        out = kernel.slide(
            block,
            chunk=self._chunk,
            ends=self._ends,
            begun=self._begun,
            filled=self._filled,
            identity=self._identity,
            maximum=maximum,
        )
        self._filled = (self._filled + len(block)) % len(self._chunk)
        return out

    def _within_chunk(self, piece: Floats) -> Floats:
        here = slice(self._filled, self._filled + len(piece))
        self._chunk[here] = piece
        begun = self._fold.accumulate(np.concatenate((self._begun, piece)))[1:]
        folded: Floats = self._fold(self._ends[here], begun)
        self._begun[:], self._filled = begun[-1], here.stop
        if self._filled == len(self._chunk):
            backwards = self._fold.accumulate(self._chunk[::-1].copy())
            self._ends[:-1] = backwards[::-1][1:]
            self._begun[:], self._filled = self._identity, 0
        return folded


def sliding_sum(window: int) -> Sliding:
    """The sum of the last `window` values."""
    return Sliding(np.add, window)


def sliding_maximum(window: int) -> Sliding:
    """The highest of the last `window` values; at the beginning, of all values so far."""
    return Sliding(np.maximum, window, -np.inf)


class SlidingMean:
    """The mean of the last `window` values of a stream; at the beginning, of all values so far."""

    def __init__(self, window: int) -> None:
        self._running, self._window, self._seen = sliding_sum(window), window, 0

    def __call__(self, block: Floats) -> Floats:
        """The mean up to each value, (frames,)."""
        if self._seen >= self._window:
            return self._running(block) / self._window
        counts = np.minimum(self._seen + np.arange(1, len(block) + 1), self._window)
        self._seen = min(self._seen + len(block), self._window)
        return self._running(block) / counts


class Filled:
    """Tells from when on a window of so many values is full."""

    def __init__(self, window: int) -> None:
        self._window, self._seen = window, 0

    def __call__(self, frames: int) -> Bools:
        """Whether it is full at each of the next values, (frames,)."""
        filled = self._seen + np.arange(1, frames + 1) >= self._window
        self._seen = min(self._seen + frames, self._window)
        return filled


class FallingMaximum:
    """Follows a stream of values (0 or above) upwards at once, and falls by a factor with every value, down to 1e-30.

    y[n] = max(x[n], fall y[n - 1]), computed as a running maximum of values lifted by what they will have fallen.
    """

    _CHUNK = 128

    def __init__(self, fall: float) -> None:
        self._fall = fall
        self._down = np.multiply.accumulate(np.concatenate(([1.0], np.full(self._CHUNK - 1, fall))))
        self._up = 1.0 / self._down
        self._lifted, self._filled = np.zeros(1), 0

    def __call__(self, block: Floats) -> Floats:
        """The falling maximum up to each value, (frames,)."""
        if kernel.COMPILED:
            out = kernel.fall(
                block,
                down=self._down,
                up=self._up,
                lifted=self._lifted,
                filled=self._filled,
                least=SUBNORMAL_GUARD,
                factor=self._fall,
            )
            self._filled = (self._filled + len(block)) % self._CHUNK
            return out
        out = np.empty(len(block))
        done = 0
        while done < len(block):
            count = min(self._CHUNK - self._filled, len(block) - done)
            here = slice(self._filled, self._filled + count)
            piece = np.maximum(block[done : done + count], SUBNORMAL_GUARD) * self._up[here]
            lifted = np.maximum.accumulate(np.concatenate((self._lifted, piece)))[1:]
            out[done : done + count] = lifted * self._down[here]
            self._lifted[:], self._filled = lifted[-1], here.stop
            if self._filled == self._CHUNK:
                self._lifted[:], self._filled = out[done + count - 1] * self._fall, 0
            done += count
        return out
