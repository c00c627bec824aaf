"""From events to slow signals."""

from __future__ import annotations

import numpy as np

from residue.dsp.switching import Held
from residue.mapping.node import Block, EventsIn, NodeContext, Step
from residue.mapping.nodes.fields import HoldS, TimeS
from residue.mapping.nodes.outline import ReleaseS, outline
from residue.mapping.nodes.shapes import SlowNode
from residue.mapping.signals import CONTROL_RATE_HZ, FRAMES_PER_TICK, Signal


class RiseAndFall(SlowNode, frozen=True):
    """Rises to 1 with each event, stays for hold_s, then falls by 63 % within release_s: to drive parameters with.

    Latency: attack_s. Source: exponentially falling maximum, then a one-pole low-pass.
    """

    kind = "rise_and_fall"
    family = "crossing"

    input: EventsIn
    attack_s: TimeS = 0.01
    hold_s: HoldS = 0.0
    release_s: ReleaseS = 0.5

    def prepare(self, context: NodeContext) -> Step:
        """An event counts from the tick at or after it."""
        held = Held(round(self.hold_s * CONTROL_RATE_HZ))
        traced = outline(self.attack_s, self.release_s)
        late = False  # an event after the last tick of a span belongs to the first tick of the next

        def step(block: Block) -> Signal:
            nonlocal late
            begun = np.zeros(block.span.ticks + 1, np.bool_)
            begun[0] = late
            begun[-(-block.events("input").frames // FRAMES_PER_TICK) - block.span.first_tick] = True
            late = bool(begun[-1])
            return traced(held(begun[:-1]).astype(np.float64))

        return step
