"""Slow signals that change only at events."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from residue.mapping.signals import FRAMES_PER_TICK, Slow, Span


class Staircase:
    """Holds a value until the next change."""

    def __init__(self, value: float) -> None:
        self._value = value

    def __call__(self, span: Span, changes: Iterable[tuple[int, float]]) -> Slow:
        """The value, (ticks,).

        changes: (frame, new value) within the span, ascending; each counts from the next tick on.
        """
        values = np.full(span.ticks, self._value)
        for frame, value in changes:
            values[-(-frame // FRAMES_PER_TICK) - span.first_tick :] = value
            self._value = value
        return values


class SinceEvent:
    """Counts the frames since the last event; before the first, since the beginning."""

    def __init__(self) -> None:
        self._last = Staircase(0.0)

    def __call__(self, span: Span, frames: Iterable[int]) -> Slow:
        """The number of frames, (ticks,). frames: of the events within the span, ascending."""
        last = self._last(span, [(frame, float(frame)) for frame in frames])
        return np.arange(span.first_tick, span.last_tick) * float(FRAMES_PER_TICK) - last
