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
