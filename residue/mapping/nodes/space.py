"""Routing and panning: nodes that send sound to outputs."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from msgspec import Meta

from residue.dsp import filters
from residue.dsp.exact import Floats, total
from residue.dsp.filters import SosFilter
from residue.dsp.shaping import entering, leaving
from residue.mapping.node import Block, Drive, FastIn, Node, NodeContext, Ramp, Step
from residue.mapping.nodes.controls import GainRamp, mapped
from residue.mapping.nodes.fields import GainDb
from residue.mapping.nodes.shapes import InputShapes, LikeInput, same
from residue.mapping.signals import AUDIO_RATE_HZ, Kind, Shape, Signal


class Pan(Node, frozen=True):
    """Places a sound between two channels: -1 left, 0 centre, 1 right; the power stays the same.

    Several input channels are summed to one first.
    Latency: none (a driven position lags by 0.5 ms). Source: sine and cosine law.
    """

    kind = "pan"
    family = "space"

    input: FastIn
    position: Annotated[float, Meta(ge=-1.0, le=1.0, description="-1 left to 1 right")] | Drive = 0.0

    def gives(self, inputs: InputShapes) -> Shape:
        """Two channels of sound."""
        return Shape(Kind.FAST, 2)

    def prepare(self, context: NodeContext) -> Step:
        """Two gains on the sum of the channels."""
        left, right = Ramp(), Ramp()

        def step(block: Block) -> Signal:
            sound, position = total(block.fast("input")), block.controls["position"]
            out = np.empty((2, block.span.frames))
            np.multiply(sound, left(block.span, mapped(_left, position)), out=out[0])
            np.multiply(sound, right(block.span, mapped(_right, position)), out=out[1])
            return out

        return step


def _left(position: Floats) -> Floats:
    return leaving((position + 1.0) / 2.0)


def _right(position: Floats) -> Floats:
    return entering((position + 1.0) / 2.0)


class Crossover(LikeInput, frozen=True):
    """The low or the high part of a sound, for speakers and floor; both together have a flat level.

    Latency: none; both parts turn in phase together. Source: Linkwitz and Riley, J Audio Eng Soc 24 (1976) 2-8,
    fourth order.
    """

    kind = "crossover"
    family = "space"

    input: FastIn
    part: Annotated[Literal["low", "high"], Meta(description="which part")]
    cutoff_hz: Annotated[float, Meta(ge=20.0, le=16_000.0, description="where the parts meet, at -6 dB each")] = 90.0

    def prepare(self, context: NodeContext) -> Step:
        """Two Butterworth filters of second order in a row."""
        half = _PARTS[self.part](self.cutoff_hz, AUDIO_RATE_HZ, 2)
        run = SosFilter(np.vstack((half, half)), context.shape("input").channels)
        return lambda block: run(block.fast("input"))


_PARTS = {"low": filters.lowpass, "high": filters.highpass}


class ToOutputs(Node, frozen=True):
    """Sends a sound to outputs of the piece: one channel to all that are named, or channel by channel.

    Several nodes may send to the same output; they are summed.
    Latency: none.
    """

    kind = "output"
    family = "space"

    input: FastIn
    to: Annotated[list[str], Meta(min_length=1, description="names from the piece's outputs")]
    gain_db: GainDb | Drive = 0.0

    def gives(self, inputs: InputShapes) -> Shape:
        """The sound that it sends, unchanged in shape."""
        channels = same(inputs).channels
        if channels not in (1, len(self.to)):
            raise ValueError(
                f"{channels} channels do not fit {len(self.to)} outputs. Name as many outputs, or pan first."
            )
        return same(inputs)

    def prepare(self, context: NodeContext) -> Step:
        """The sound at its level; the playback sums it into the outputs."""
        level = GainRamp()
        return lambda block: block.fast("input") * level(block.span, block.controls["gain_db"])
