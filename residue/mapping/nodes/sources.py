"""Sources: nodes that read the channels of a performance."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

import numpy as np
from msgspec import Meta

from residue.mapping.node import Block, Drive, Node, NodeContext, Step
from residue.mapping.nodes.fields import Real
from residue.mapping.nodes.shapes import InputShapes, SlowNode
from residue.mapping.signals import Kind, Shape, Signal


class ChannelSource(Node, frozen=True):
    """One sensor channel of the performance, in its physical unit.

    Latency: none.
    """

    kind = "channel"
    family = "sources"

    channel: Annotated[str, Meta(description="name of the channel in the performance")]
    rate: Annotated[Literal["slow", "fast", "events"], Meta(description="the kind of signal it is read as")] = "slow"

    def gives(self, inputs: InputShapes) -> Shape:
        """One channel of the kind asked for."""
        return Shape(Kind(self.rate))

    def needs(self) -> Sequence[tuple[str, Kind]]:
        """The channel that it reads."""
        return [(self.channel, Kind(self.rate))]

    def prepare(self, context: NodeContext) -> Step:
        """Opens the channel for reading."""
        read = context.source.channel(self.channel, Kind(self.rate))
        return lambda block: read(block.span)


class Constant(SlowNode, frozen=True):
    """A slow signal of one value. The form may set it, or another signal may drive it.

    Latency: none.
    """

    kind = "constant"
    family = "sources"

    value: Real | Drive

    def prepare(self, context: NodeContext) -> Step:
        """Gives the control as a signal."""

        def step(block: Block) -> Signal:
            return np.zeros(block.span.ticks) + block.controls["value"]

        return step
