"""Placement over a ring of outputs."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from msgspec import Meta

from residue.dsp.exact import Floats, total
from residue.dsp.shaping import leaving
from residue.mapping.node import Block, Control, Drive, FastIn, Node, NodeContext, Ramp, Step
from residue.mapping.nodes.fields import Unity
from residue.mapping.nodes.shapes import InputShapes
from residue.mapping.signals import Kind, Shape, Signal


class RingPanning(Node, frozen=True):
    """Places a sound on a ring of outputs, between two neighbours or spread over more; the power stays the same.

    Output n of N is at n / N of a turn. Several input channels are summed to one first.
    Latency: none (what is driven lags by 0.5 ms). Source: sine and cosine law between neighbours.
    """

    kind = "place"
    family = "space"

    input: FastIn
    outputs: Annotated[int, Meta(ge=2, le=32, description="how many stand on the ring")]
    turn: Annotated[float, Meta(ge=-100.0, le=100.0, description="where on the ring, in turns")] | Drive = 0.0
    spread: Unity | Drive = 0.0

    def gives(self, inputs: InputShapes) -> Shape:
        """A channel of sound for each output."""
        return Shape(Kind.FAST, self.outputs)

    def prepare(self, context: NodeContext) -> Step:
        """Computes gains at ticks, with straight lines between them."""
        ramps = [Ramp() for _ in range(self.outputs)]

        def step(block: Block) -> Signal:
            sound = total(block.fast("input"))
            gains = self._gains(block.span.ticks, block.controls["turn"], block.controls["spread"])
            return np.stack([sound * ramp(block.span, gain) for ramp, gain in zip(ramps, gains, strict=True)])

        return step

    def _gains(self, ticks: int, turn: Control, spread: Control) -> Floats:
        """The gains, (outputs, ticks): cosines of the distance, scaled to a power of 1."""
        places = np.arange(self.outputs)[:, None] / self.outputs
        away = np.zeros(ticks) + turn - places
        away = np.abs(away - np.floor(away + 0.5)) * self.outputs
        reach = 1.0 + spread * (self.outputs / 2 - 1.0)
        raw = leaving(np.minimum(away / reach, 1.0))
        return raw / np.sqrt(total(raw * raw))
