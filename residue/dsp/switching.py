"""Streams of two values: thresholds with hysteresis, and minimum hold times."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


class Hysteresis:
    """True from when a stream reaches open_at until it comes down to close_at. Source: Schmitt's trigger."""

    def __init__(self, open_at: float, close_at: float) -> None:
        self._open_at, self._close_at = open_at, close_at
        self._open = False

    def __call__(self, block: Floats) -> Bools:
        """Whether it is open at each value, (frames,)."""
        opens = block >= self._open_at
        decides = np.concatenate(([True], opens | (block <= self._close_at)))
        states = np.concatenate(([self._open], opens))
        states = states[np.maximum.accumulate(np.where(decides, np.arange(len(states)), 0))]
        self._open = bool(states[-1])
        return states[1:]


class Held:
    """Keeps what is true true for so many values more."""

    def __init__(self, values: int) -> None:
        self._values = values
        self._since = values + 1  # values since it was last true

    def __call__(self, block: Bools) -> Bools:
        """Whether it is or was true not too long ago, (frames,)."""
        at = np.arange(1, len(block) + 1)
        last = np.maximum.accumulate(np.where(block, at, -self._since))
        since = at - last
        if len(since):
            self._since = min(int(since[-1]), self._values + 1)
        return since <= self._values


class LastFree:
    """Passes a stream, and holds the last value that was free; at the beginning, the first one."""

    def __init__(self) -> None:
        self._last: float | None = None

    def __call__(self, block: Floats, held: Bools) -> Floats:
        """(frames,). held: at which values the last free one is given again."""
        if not len(block):
            return block.copy()
        values = np.concatenate(([block[0] if self._last is None else self._last], block))
        at = np.where(np.concatenate(([False], held)), 0, np.arange(len(values)))
        kept: Floats = values[np.maximum.accumulate(at)]
        self._last = float(kept[-1])
        return kept[1:]
