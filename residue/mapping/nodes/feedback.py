"""The only way to make a loop: a signal from later in the graph comes back after a delay."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from msgspec import Meta

from residue.dsp import filters
from residue.dsp.delay import DelayLine
from residue.dsp.filters import SUBNORMAL_GUARD, SosFilter
from residue.dsp.shaping import bend_above
from residue.mapping.node import Block, Drive, LateStep, Node, NodeContext, Port, Ramp
from residue.mapping.nodes.controls import gains
from residue.mapping.nodes.events import chosen
from residue.mapping.nodes.shapes import InputShapes
from residue.mapping.signals import (
    AUDIO_RATE_HZ,
    CONTROL_RATE_HZ,
    FRAMES_PER_TICK,
    Events,
    Kind,
    Shape,
    Signal,
    Slow,
    frame_at,
    joined,
)

_LOWEST_HZ = 5.0
"""Below it no sound comes back: otherwise an offset would grow without being heard."""


class Feedback(Node, frozen=True, kw_only=True):
    """Brings a signal back from later in the graph, after delay_s: the only way to make a loop.

    The input may be any node, also one that listens to this one. Its kind must be that of `rate`, and its number of
    channels that of `channels`. A loop never grows without limit. Each round loses gain_db, which is 0 at most. Even if
    the nodes in the loop add gain, sound is bent smoothly below `bound` and never passes it, a slow signal is clipped
    at it, and of events none passes within refractory_s of the last. In the worst case a loop sounds on at its bound.
    Below 5 Hz no sound comes back. The whole graph is computed in pieces no longer than the shortest delay of its
    loops: a delay of 0.1 s or more costs nothing, one of 10 ms makes the graph about five times as slow. The output has
    no trust.
    Latency: delay_s, rounded to whole ticks (0.5 ms). Source: a delay line in the loop; a soft bound as in `layers`.
    """

    kind = "feedback"
    family = "memory"
    late = frozenset({"input"})

    input: Annotated[str, Port(frozenset({Kind.SLOW, Kind.FAST, Kind.EVENTS}))]
    rate: Annotated[Literal["slow", "fast", "events"], Meta(description="the kind of signal that comes back")] = "fast"
    channels: Annotated[int, Meta(ge=1, le=8, description="of a fast signal")] = 1
    delay_s: Annotated[float, Meta(ge=0.01, le=60.0, description="how much later it comes back")]
    gain_db: Annotated[float, Meta(ge=-120.0, le=0.0, description="what a round loses")] | Drive = -3.0
    bound: Annotated[float, Meta(gt=0.0, le=1e9, description="magnitude that nothing passes which comes back")] = 1.0
    refractory_s: Annotated[float, Meta(ge=0.001, le=60.0, description="least time between events that come back")] = (
        0.05
    )

    def __post_init__(self) -> None:
        if self.rate != "fast" and self.channels != 1:
            raise ValueError(f"A signal that is {self.rate} has one channel. Take channels away.")

    def gives(self, inputs: InputShapes) -> Shape:
        """The kind of signal that `rate` says."""
        return Shape(Kind(self.rate), self.channels)

    def prepare(self, context: NodeContext) -> LateStep:
        """A delay line, silent in the beginning."""
        ticks = round(self.delay_s * CONTROL_RATE_HZ)
        if self.rate == "events":
            return _EventsBack(ticks * FRAMES_PER_TICK, frame_at(self.refractory_s))
        return _SlowBack(ticks, self.bound) if self.rate == "slow" else _SoundBack(ticks, self.channels, self.bound)


class _SoundBack:
    """The way back of sound."""

    def __init__(self, ticks: int, channels: int, bound: float) -> None:
        self.longest = ticks * FRAMES_PER_TICK
        self._bound = bound
        self._line, self._level = DelayLine(channels, self.longest), Ramp()
        self._clean = SosFilter(filters.highpass(_LOWEST_HZ, AUDIO_RATE_HZ, 1), channels)

    def __call__(self, block: Block) -> Signal:
        return self._line.oldest(block.span.frames)

    def take(self, block: Block) -> None:
        """Takes the sound, and bends it near the bound."""
        level = self._level(block.span, gains(block.controls["gain_db"]))
        self._line.push(bend_above(self._clean(block.fast("input")) * level, self._bound / 2.0, self._bound))


class _SlowBack:
    """The way back of a slow signal."""

    def __init__(self, ticks: int, bound: float) -> None:
        self.longest = ticks * FRAMES_PER_TICK
        self._bound, self._line = bound, DelayLine(1, ticks)

    def __call__(self, block: Block) -> Signal:
        values: Slow = self._line.oldest(block.span.ticks)[0]
        return values

    def take(self, block: Block) -> None:
        """Takes the signal, clips it at the bound, and sets to 0 what is too small to matter."""
        values = block.slow("input") * gains(block.controls["gain_db"])
        values = np.where(np.abs(values) < SUBNORMAL_GUARD, 0.0, values)
        self._line.push(np.clip(values, -self._bound, self._bound)[None])


class _EventsBack:
    """The way back of events."""

    def __init__(self, delay: int, refractory: int) -> None:
        self.longest = delay
        self._refractory, self._free_from = refractory, 0
        self._coming = Events()

    def __call__(self, block: Block) -> Signal:
        due = self._coming.frames < block.span.stop
        given, self._coming = chosen(self._coming, due), chosen(self._coming, ~due)
        return given

    def take(self, block: Block) -> None:
        """Takes the events, and leaves out those that follow too soon."""
        events = block.events("input")
        passes = []
        for frame in events.frames.tolist():
            passes.append(frame >= self._free_from)
            self._free_from = frame + self._refractory if passes[-1] else self._free_from
        passed = chosen(events, passes)
        delayed = Events(passed.frames + self.longest, passed.values)
        coming = joined([self._coming, delayed])
        self._coming = coming if isinstance(coming, Events) else Events()
