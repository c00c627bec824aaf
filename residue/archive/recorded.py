"""Readers over arrays: one recorded channel as the mapping graph reads it, span by span."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from residue.mapping.signals import Events, Fast, Slow, Span

Recorded = NDArray[np.float64] | NDArray[np.float32]
"""(samples,), at the rate of the kind; float32 where it is mapped from disk."""


def _window(values: Recorded, begins: int, start: int, stop: int) -> NDArray[np.float64]:
    """(stop - start,): the values, the first of which stands at `begins`; zero before and after them."""
    window = np.zeros(stop - start)
    low, high = max(start, begins), min(stop, begins + len(values))
    if low < high:
        window[low - start : high - start] = values[low - begins : high - begins]
    return window


@dataclass(frozen=True, slots=True)
class SlowRecording:
    """A channel at the control rate."""

    values: Recorded
    first_tick: int = 0

    def __call__(self, span: Span) -> Slow:
        """The samples at the ticks of the span, (ticks,)."""
        return _window(self.values, self.first_tick, span.first_tick, span.last_tick)


@dataclass(frozen=True, slots=True)
class FastRecording:
    """A channel at the audio rate."""

    values: Recorded
    first_frame: int = 0

    def __call__(self, span: Span) -> Fast:
        """The samples at the frames of the span, (1, frames)."""
        return _window(self.values, self.first_frame, span.start, span.stop)[None]


@dataclass(frozen=True, slots=True)
class EventsRecording:
    """Events in order of time."""

    events: Events

    def __call__(self, span: Span) -> Events:
        """Those within the span."""
        frames = self.events.frames
        low, high = np.searchsorted(frames, [span.start, span.stop])
        return Events(frames[low:high], self.events.values[low:high])
