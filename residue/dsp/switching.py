"""Streams of two values: their stretches, thresholds with hysteresis, and minimum hold times."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def stretches(true: Bools) -> list[tuple[int, int]]:
    """(start, stop) of each stretch of true values among (frames,)."""
    edges = np.flatnonzero(np.diff(true, prepend=False, append=False))
    return [(int(start), int(stop)) for start, stop in edges.reshape(-1, 2)]


class Latch:
    """True from when it is set until it is reset. If both come at once, it is set."""

    def __init__(self) -> None:
        self._on = False

    def __call__(self, sets: Bools, resets: Bools) -> Bools:
        """Whether the latch is on at each value, (frames,)."""
        decides = np.concatenate(([True], sets | resets))
        states = np.concatenate(([self._on], sets))
        states = states[np.maximum.accumulate(np.where(decides, np.arange(len(states)), 0))]
        self._on = bool(states[-1])
        return states[1:]


class Hysteresis:
    """True from when a stream reaches open_at until it comes down to close_at. Source: Schmitt's trigger."""

    def __init__(self, open_at: float, close_at: float) -> None:
        self._open_at, self._close_at = open_at, close_at
        self._latch = Latch()

    def __call__(self, block: Floats) -> Bools:
        """Whether the switch is open at each value, (frames,)."""
        return self._latch(block >= self._open_at, block <= self._close_at)


class Held:
    """Stays true for so many values after its input was true.

    just_before: whether the input was true before the stream.
    """

    def __init__(self, values: int, *, just_before: bool = False) -> None:
        self._values = values
        self._since = 0 if just_before else values + 1  # values since it was last true

    def __call__(self, block: Bools) -> Bools:
        """Whether the input is true, or was true within so many values before, (frames,)."""
        at = np.arange(1, len(block) + 1)
        last = np.maximum.accumulate(np.where(block, at, -self._since))
        since = at - last
        if len(since):
            self._since = min(int(since[-1]), self._values + 1)
        return since <= self._values


class LastFree:
    """Passes a stream; while held, it gives the last free value, or at the beginning the first one."""

    def __init__(self) -> None:
        self._last: float | None = None

    def __call__(self, block: Floats, held: Bools) -> Floats:
        """The stream, (frames,). held: the values at which the last free one is given."""
        if not len(block):
            return block.copy()
        values = np.concatenate(([block[0] if self._last is None else self._last], block))
        at = np.where(np.concatenate(([False], held)), 0, np.arange(len(values)))
        kept: Floats = values[np.maximum.accumulate(at)]
        self._last = float(kept[-1])
        return kept[1:]


class Settled:
    """Becomes true once a stream was true for `on` values more, and false once it was false for `off` values more."""

    def __init__(self, on: int, off: int) -> None:
        self._was_false, self._was_true = Held(on, just_before=True), Held(off)
        self._latch = Latch()

    def __call__(self, block: Bools) -> Bools:
        """Whether it has settled to true at each value, (frames,)."""
        return self._latch(~self._was_false(~block), ~self._was_true(block))
