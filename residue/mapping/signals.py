"""The three kinds of signal, and the integer clock they share.

Time in a performance is counted in frames of the audio rate. A slow signal has one value a tick; a tick is
FRAMES_PER_TICK frames, and tick k is at frame k * FRAMES_PER_TICK. Time is never counted in floating point.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

AUDIO_RATE_HZ = 48_000
CONTROL_RATE_HZ = 2_000
FRAMES_PER_TICK = AUDIO_RATE_HZ // CONTROL_RATE_HZ

Slow = NDArray[np.float64]
"""(ticks,): one value a tick."""
HALF = 0.5
"""A slow signal that is listened to as a condition holds while it is above this value."""
Fast = NDArray[np.float64]
"""(channels, frames): audio."""


class Kind(StrEnum):
    """The kinds of signal that wires of a mapping graph carry."""

    SLOW = "slow"
    FAST = "fast"
    EVENTS = "events"


RATE_HZ = {Kind.SLOW: CONTROL_RATE_HZ, Kind.FAST: AUDIO_RATE_HZ}


@dataclass(frozen=True, slots=True)
class Span:
    """The frames start, …, stop - 1 of a performance: the time of one step of the graph. Start and length are free."""

    start: int
    stop: int

    @property
    def frames(self) -> int:
        """Its number of frames."""
        return self.stop - self.start

    @property
    def first_tick(self) -> int:
        """The first tick at or after the start."""
        return -(-self.start // FRAMES_PER_TICK)

    @property
    def last_tick(self) -> int:
        """One past the last tick before the stop."""
        return -(-self.stop // FRAMES_PER_TICK)

    @property
    def ticks(self) -> int:
        """Its number of ticks; 0, in a span shorter than a tick, is common."""
        return self.last_tick - self.first_tick


@dataclass(frozen=True, slots=True)
class Events:
    """Events within a span: (n,) frames, ascending, and (n,) values."""

    frames: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    values: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))


Signal = Slow | Fast | Events


def joined(parts: Sequence[Signal]) -> Signal:
    """The parts of one signal, joined in time."""
    events = [part for part in parts if isinstance(part, Events)]
    if events:
        frames, values = [part.frames for part in events], [part.values for part in events]
        return Events(np.concatenate(frames), np.concatenate(values))
    return np.concatenate([part for part in parts if not isinstance(part, Events)], axis=-1)


def within(signal: Signal, whole: Span, part: Span) -> Signal:
    """What a signal over a span is over a part of it."""
    if isinstance(signal, Events):
        first, stop = np.searchsorted(signal.frames, (part.start, part.stop))
        return Events(signal.frames[first:stop], signal.values[first:stop])
    if signal.ndim == 1:
        return signal[part.first_tick - whole.first_tick : part.last_tick - whole.first_tick]
    return signal[:, part.start - whole.start : part.stop - whole.start]


@dataclass(frozen=True, slots=True)
class Shape:
    """The shape of a signal: its kind, and for a fast signal the number of channels."""

    kind: Kind
    channels: int = 1


SLOW = Shape(Kind.SLOW)
FAST = Shape(Kind.FAST)
EVENTS = Shape(Kind.EVENTS)


def seconds(frame: int) -> float:
    """The time of a frame in seconds."""
    return frame / AUDIO_RATE_HZ


def frame_at(time_s: float) -> int:
    """The frame nearest to a time in seconds."""
    return round(time_s * AUDIO_RATE_HZ)
