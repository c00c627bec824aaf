"""From events to slow signals."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from msgspec import Meta

from residue.dsp.switching import Bools, Held
from residue.mapping.node import Block, EventsIn, NodeContext, Step
from residue.mapping.nodes.fields import HoldS, Real, TimeS
from residue.mapping.nodes.outline import ReleaseS, outline
from residue.mapping.nodes.shapes import SlowNode
from residue.mapping.nodes.staircase import Staircase
from residue.mapping.signals import CONTROL_RATE_HZ, FRAMES_PER_TICK, Events, Signal, Span


class RiseAndFall(SlowNode, frozen=True):
    """Rises to 1 with each event, stays for hold_s, then falls by 63 % within release_s. Use it to drive parameters.

    Latency: attack_s. Source: exponentially falling maximum, then a one-pole low-pass.
    """

    kind = "rise_and_fall"
    family = "crossing"

    input: EventsIn
    attack_s: TimeS = 0.01
    hold_s: HoldS = 0.0
    release_s: ReleaseS = 0.5

    def prepare(self, context: NodeContext) -> Step:
        """Marks the ticks of the events, and computes their outline."""
        begun, held = EventTicks(), Held(round(self.hold_s * CONTROL_RATE_HZ))
        traced = outline(self.attack_s, self.release_s)
        return lambda block: traced(held(begun(block.span, block.events("input"))).astype(np.float64))


class LastValue(SlowNode, frozen=True):
    """Holds the value of the last event.

    Latency: none: it changes with the tick at or after the event (0.5 ms).
    """

    kind = "last_value"
    family = "crossing"

    input: EventsIn
    before: Annotated[Real, Meta(description="what it gives before the first event")] = 0.0

    def prepare(self, context: NodeContext) -> Step:
        """Goes from event to event."""
        held = Staircase(self.before)

        def step(block: Block) -> Signal:
            events = block.events("input")
            return held(block.span, zip(events.frames.tolist(), events.values.tolist(), strict=True))

        return step


class EventTicks:
    """Marks the ticks at which events count: the tick at or after each."""

    def __init__(self) -> None:
        self._late = False  # an event after the last tick of a span belongs to the first tick of the next

    def __call__(self, span: Span, events: Events) -> Bools:
        """1 at the ticks of events, 0 elsewhere, (ticks,)."""
        marked = np.zeros(span.ticks + 1, np.bool_)
        marked[0] = self._late
        marked[-(-events.frames // FRAMES_PER_TICK) - span.first_tick] = True
        self._late = bool(marked[-1])
        return marked[:-1]
