"""Counting, comparing and deciding: events and conditions made of other events and conditions.

A condition is a slow signal that is 1 while it holds, else 0; for a node that listens to it, it holds while it is above
a half.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Annotated, Literal, cast

import numpy as np
from msgspec import Meta

from residue.dsp.exact import Floats, total
from residue.dsp.switching import Bools, Latch, Settled
from residue.mapping.node import (
    Block,
    EventsIn,
    EventStreamsIn,
    MaybeEventsIn,
    MaybeSlowIn,
    Node,
    NodeContext,
    SlowIn,
    SlowsIn,
    Step,
)
from residue.mapping.nodes.controls import AtFrame
from residue.mapping.nodes.events import chosen
from residue.mapping.nodes.fields import Real
from residue.mapping.nodes.shapes import InputShapes, LikeInput, SlowNode, together
from residue.mapping.nodes.staircase import Staircase
from residue.mapping.signals import CONTROL_RATE_HZ, EVENTS, FRAMES_PER_TICK, HALF, Events, Shape, Signal

Count = Annotated[int, Meta(ge=-1_000_000_000, le=1_000_000_000)]
SettlingS = Annotated[float, Meta(ge=0.0, le=3600.0, description="how long it must last before it counts")]


class Counter(SlowNode, frozen=True):
    """Counts events: `input` up, `down` down, `reset` back to where it began; the count is held between them.

    Beyond lowest or highest it continues at the other end ("wrap") or stays there ("stay"). Of events at the same
    moment the reset counts first, then up, then down.
    Latency: none: the count changes with the tick at or after the event (0.5 ms).
    """

    kind = "counter"
    family = "logic"

    input: EventsIn
    down: MaybeEventsIn = None
    reset: MaybeEventsIn = None
    start: Annotated[Count, Meta(description="the count before the first event, and after a reset")] = 0
    lowest: Annotated[Count | None, Meta(description="the least that it counts to")] = None
    highest: Annotated[Count | None, Meta(description="the most that it counts to")] = None
    beyond: Annotated[Literal["wrap", "stay"], Meta(description="what it does beyond them")] = "stay"

    def __post_init__(self) -> None:
        low, high = self._bounds()
        if not low <= self.start <= high:
            raise ValueError(f"start = {self.start} is not between lowest and highest. Write a number between them.")
        if self.beyond == "wrap" and (self.lowest is None or self.highest is None):
            raise ValueError('beyond = "wrap" needs lowest and highest. Write both.')

    def _bounds(self) -> tuple[int, int]:
        low = -_FAR if self.lowest is None else self.lowest
        return low, _FAR if self.highest is None else self.highest

    def prepare(self, context: NodeContext) -> Step:
        """Goes from event to event in whole numbers."""
        low, high = self._bounds()
        count, held = self.start, Staircase(float(self.start))
        round_length = high - low + 1

        def counted(by: int) -> int:
            if not by:
                return self.start
            if self.beyond == "wrap":
                return low + (count + by - low) % round_length
            return min(max(count + by, low), high)

        def step(block: Block) -> Signal:
            nonlocal count
            streams = (block.maybe_events("reset"), block.events("input"), block.maybe_events("down"))
            happened = [
                (frame, order, by)
                for order, (stream, by) in enumerate(zip(streams, (0, 1, -1), strict=True))
                for frame in stream.frames.tolist()
            ]
            changes = []
            for frame, _, by in sorted(happened):
                count = counted(by)
                changes.append((frame, float(count)))
            return held(block.span, changes)

        return step


_FAR = 1_000_000_000


class EveryNth(LikeInput, frozen=True, kw_only=True):
    """Passes every nth event, starting with the nth; a reset starts the count again.

    Latency: none.
    """

    kind = "every_nth"
    family = "logic"

    input: EventsIn
    reset: MaybeEventsIn = None
    n: Annotated[int, Meta(ge=1, le=1_000_000, description="of so many events one passes")]

    def prepare(self, context: NodeContext) -> Step:
        """Counts to n; a reset at the moment of an event comes before it."""
        count = 0

        def step(block: Block) -> Signal:
            nonlocal count
            events, resets, passes = block.events("input"), block.maybe_events("reset").frames.tolist(), []
            for frame in events.frames.tolist():
                while resets and resets[0] <= frame:
                    resets.pop(0)
                    count = 0
                count = (count + 1) % self.n
                passes.append(count == 0)
            count = 0 if resets else count
            return chosen(events, passes)

        return step


class Merge(Node, frozen=True):
    """The events of several streams in one stream. Events at the same moment come in the order of the inputs.

    Latency: none.
    """

    kind = "merge"
    family = "logic"

    input: EventStreamsIn

    def gives(self, inputs: InputShapes) -> Shape:
        """Events."""
        return together(cast("Sequence[Shape]", inputs["input"]))

    def prepare(self, context: NodeContext) -> Step:
        """Sorts by frame; events at the same frame keep the order of the inputs."""

        def step(block: Block) -> Signal:
            streams = block.event_streams("input")
            frames = np.concatenate([stream.frames for stream in streams])
            order = np.argsort(frames, kind="stable")
            return Events(frames[order], np.concatenate([stream.values for stream in streams])[order])

        return step


class Changes(Node, frozen=True):
    """An event each time a slow signal changes, valued with what it changes to: for counts, states and conditions.

    Latency: none.
    """

    kind = "changes"
    family = "logic"

    input: SlowIn
    to: Annotated[Real | None, Meta(description="only changes to this value; where left out, every change")] = None

    def gives(self, inputs: InputShapes) -> Shape:
        """Events."""
        return EVENTS

    def prepare(self, context: NodeContext) -> Step:
        """Compares each tick with the one before; the first value is not a change."""
        last: Floats = np.empty(0)

        def step(block: Block) -> Signal:
            nonlocal last
            values = np.concatenate((last, block.slow("input")))
            last = values[-1:]
            changed = np.flatnonzero(values[1:] != values[:-1]) + 1
            if self.to is not None:
                changed = changed[values[changed] == self.to]
            before_first = len(values) - block.span.ticks
            return Events((block.span.first_tick + changed - before_first) * FRAMES_PER_TICK, values[changed])

        return step


class Compare(SlowNode, frozen=True):
    """A condition: 1 while the input is above, below or between values, else 0; hysteresis and times prevent flutter.

    It holds at `above` and higher, at `below` and lower, and with both keys between the two. It stops once the input is
    outside by more than `hysteresis`. With `than`, the difference of the input to that signal is compared. A change
    counts only after it has lasted for on_after_s or off_after_s.
    Latency: on_after_s, off_after_s. Source: Schmitt's trigger, then a time for each direction.
    """

    kind = "compare"
    family = "logic"

    input: SlowIn
    than: MaybeSlowIn = None
    above: Annotated[Real | None, Meta(description="the least value for which it holds")] = None
    below: Annotated[Real | None, Meta(description="the highest value for which it holds")] = None
    hysteresis: Annotated[float, Meta(ge=0.0, le=1e9, description="how far beyond it still holds")] = 0.0
    on_after_s: SettlingS = 0.0
    off_after_s: SettlingS = 0.0

    def __post_init__(self) -> None:
        if self.above is None and self.below is None:
            raise ValueError("It needs above, below or both. Write at least one of them.")
        if self.above is not None and self.below is not None and self.above > self.below:
            raise ValueError(
                f"Nothing is above {self.above:g} and below {self.below:g} at once. Exchange them, or take one away."
            )

    def prepare(self, context: NodeContext) -> Step:
        """Latches, then settles."""
        low = -np.inf if self.above is None else self.above
        high = np.inf if self.below is None else self.below
        latch = Latch()
        settled = Settled(round(self.on_after_s * CONTROL_RATE_HZ), round(self.off_after_s * CONTROL_RATE_HZ))

        def step(block: Block) -> Signal:
            than = block.maybe_slow("than")
            values = block.slow("input") if than is None else block.slow("input") - than
            beyond = (values < low - self.hysteresis) | (values > high + self.hysteresis)
            return settled(latch((values >= low) & (values <= high), beyond)).astype(np.float64)

        return step


class Logic(Node, frozen=True):
    """A condition made of conditions: 1 while all, any, none, exactly one or an odd number of them hold, else 0.

    A slow signal holds while it is above a half.
    Latency: none. Source: Boolean algebra; "none" of one input is its negation, "odd" is the sum modulo 2.
    """

    kind = "logic"
    family = "logic"

    input: SlowsIn
    rule: Annotated[Literal["all", "any", "none", "one", "odd"], Meta(description="how many of them must hold")] = "all"

    def gives(self, inputs: InputShapes) -> Shape:
        """A slow signal."""
        return together(cast("Sequence[Shape]", inputs["input"]))

    def prepare(self, context: NodeContext) -> Step:
        """Counts how many hold."""

        def step(block: Block) -> Signal:
            holding = total((signal > HALF).astype(np.float64) for signal in block.slows("input"))
            return _RULES[self.rule](holding, len(self.input)).astype(np.float64)

        return step


_RULES: Mapping[str, Callable[[Floats, int], Bools]] = {
    "all": lambda holding, inputs: holding == inputs,
    "any": lambda holding, inputs: holding > 0.0,
    "none": lambda holding, inputs: holding == 0.0,
    "one": lambda holding, inputs: holding == 1.0,
    "odd": lambda holding, inputs: holding % 2.0 == 1.0,
}


class PassWhile(LikeInput, frozen=True):
    """Passes events while a condition holds (a slow signal is above a half), and drops the others.

    Latency: none: the condition is read at the tick at or before the event.
    """

    kind = "pass_while"
    family = "logic"

    input: EventsIn
    condition: SlowIn

    def prepare(self, context: NodeContext) -> Step:
        """Looks at the condition at each event."""
        at_frame = AtFrame()

        def step(block: Block) -> Signal:
            events, condition = block.events("input"), at_frame(block.span, block.slow("condition"))
            return chosen(events, [condition(frame) > HALF for frame in events.frames.tolist()])

        return step


class PassBetween(LikeInput, frozen=True):
    """Passes the events whose value is between low and high, or equal to one of them.

    Latency: none.
    """

    kind = "pass_between"
    family = "logic"

    input: EventsIn
    low: Annotated[Real, Meta(description="the least value that passes")]
    high: Annotated[Real, Meta(description="the highest value that passes")]

    def __post_init__(self) -> None:
        if self.low > self.high:
            raise ValueError(f"low = {self.low:g} is above high = {self.high:g}. Exchange them.")

    def prepare(self, context: NodeContext) -> Step:
        """Remembers nothing."""

        def step(block: Block) -> Signal:
            events = block.events("input")
            return chosen(events, (events.values >= self.low) & (events.values <= self.high))

        return step
