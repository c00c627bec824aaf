"""Readers over arrays: each gives one recorded channel to the mapping graph, span by span."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from residue.mapping.signals import CONTROL_RATE_HZ, Events, Fast, Slow, Span, frame_at

RAMP_S = 0.05
"""A channel that begins after the performance, or ends before it, fades in or out over this time, so that there is no
step.
"""


class Samples(Protocol):
    """The samples of a channel at the rate of the kind: an array in memory, one on disk, or one that still grows."""

    def __len__(self) -> int:
        """The number of samples."""

    def __getitem__(self, part: slice, /) -> NDArray[np.float64] | NDArray[np.float32]:
        """The samples of a part, (samples,)."""


def _window(samples: Samples, *, begins: int, start: int, stop: int) -> NDArray[np.float64]:
    """(stop - start,): the samples, of which the first is at `begins`; zero before and after them."""
    window = np.zeros(stop - start)
    low, high = max(start, begins), min(stop, begins + len(samples))
    if low < high:
        window[low - start : high - start] = samples[low - begins : high - begins]
    return window


def _ramped(
    window: NDArray[np.float64], *, start: int, begins: int, ends: int | None, ramp: int
) -> NDArray[np.float64]:
    """The window from `start` on, faded in where the channel begins after 0, and faded out where it ends early."""
    comes = begins > 0 and start < begins + ramp
    goes = ends is not None and start + len(window) > ends - ramp
    if comes or goes:
        at = np.arange(start, start + len(window))
        if comes:
            window *= np.clip((at - begins + 1) / (ramp + 1), 0.0, 1.0)
        if ends is not None:
            window *= np.clip((ends - at) / (ramp + 1), 0.0, 1.0)
    return window


@dataclass(frozen=True, slots=True)
class SlowRecording:
    """A channel at the control rate."""

    samples: Samples
    first_tick: int = 0
    ends_early: bool = False
    """Whether it ends before the performance."""

    def __call__(self, span: Span) -> Slow:
        """The samples at the ticks of the span, (ticks,)."""
        window = _window(self.samples, begins=self.first_tick, start=span.first_tick, stop=span.last_tick)
        ends = self.first_tick + len(self.samples) if self.ends_early else None
        return _ramped(
            window, start=span.first_tick, begins=self.first_tick, ends=ends, ramp=round(RAMP_S * CONTROL_RATE_HZ)
        )


@dataclass(frozen=True, slots=True)
class FastRecording:
    """A channel at the audio rate."""

    samples: Samples
    first_frame: int = 0
    ends_early: bool = False
    """Whether it ends before the performance."""

    def __call__(self, span: Span) -> Fast:
        """The samples at the frames of the span, (1, frames)."""
        window = _window(self.samples, begins=self.first_frame, start=span.start, stop=span.stop)
        ends = self.first_frame + len(self.samples) if self.ends_early else None
        return _ramped(window, start=span.start, begins=self.first_frame, ends=ends, ramp=frame_at(RAMP_S))[None]


@dataclass(frozen=True, slots=True)
class EventsRecording:
    """Events in order of time."""

    events: Events

    def __call__(self, span: Span) -> Events:
        """The events within the span."""
        frames = self.events.frames
        low, high = np.searchsorted(frames, [span.start, span.stop])
        return Events(frames[low:high], self.events.values[low:high])
