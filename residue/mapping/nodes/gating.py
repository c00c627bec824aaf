"""Slow signals: bounded, held and switched."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from msgspec import Meta

from residue.dsp.switching import Held, Hysteresis, LastFree
from residue.mapping.node import Block, NodeContext, SlowIn, Step
from residue.mapping.nodes.fields import HoldS, Real
from residue.mapping.nodes.shapes import SlowNode
from residue.mapping.signals import CONTROL_RATE_HZ, HALF, Signal

PerSecond = Annotated[float, Meta(gt=0.0, le=1e9, description="units of the input per second")]


class SlewLimit(SlowNode, frozen=True):
    """Follows the input no faster than two given speeds.

    Latency: none within the speeds.
    """

    kind = "slew_limit"
    family = "conditioning"

    input: SlowIn
    rise_per_s: PerSecond
    fall_per_s: PerSecond

    def prepare(self, context: NodeContext) -> Step:
        """Goes from tick to tick; at the control rate that is cheap."""
        up, down = self.rise_per_s / CONTROL_RATE_HZ, self.fall_per_s / CONTROL_RATE_HZ
        last: float | None = None

        def step(block: Block) -> Signal:
            nonlocal last
            followed = []
            for aim in block.slow("input").tolist():
                last = aim if last is None else min(max(aim, last - down), last + up)
                followed.append(last)
            return np.array(followed)

        return step


class Gate(SlowNode, frozen=True):
    """1 from when the input reaches open_at until it falls to close_at, then 0. Two thresholds prevent flutter.

    Latency: none. Source: Schmitt's trigger.
    """

    kind = "gate"
    family = "conditioning"

    input: SlowIn
    open_at: Real
    close_at: Real
    hold_s: HoldS = 0.0

    def __post_init__(self) -> None:
        if self.close_at > self.open_at:
            raise ValueError(f"close_at = {self.close_at:g} is above open_at = {self.open_at:g}. Exchange them.")

    def prepare(self, context: NodeContext) -> Step:
        """Switches, then lengthens the open times."""
        switch, held = Hysteresis(self.open_at, self.close_at), Held(round(self.hold_s * CONTROL_RATE_HZ))
        return lambda block: held(switch(block.slow("input"))).astype(np.float64)


class SampleAndHold(SlowNode, frozen=True):
    """Passes the input, and holds its last value while another signal is above a half.

    If it holds from the start, it gives the first value.
    Latency: none.
    """

    kind = "hold"
    family = "conditioning"

    input: SlowIn
    hold_while: SlowIn

    def prepare(self, context: NodeContext) -> Step:
        """Fills the held ticks with the last free value."""
        last_free = LastFree()
        return lambda block: last_free(block.slow("input"), block.slow("hold_while") > HALF)
