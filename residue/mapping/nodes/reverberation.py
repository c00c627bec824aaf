"""A room around the sound."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from msgspec import Meta

from residue.dsp import exact, filters, kernel
from residue.dsp.delay import DelayLines
from residue.dsp.exact import total
from residue.dsp.filters import SUBNORMAL_GUARD, SosFilter
from residue.mapping.node import Drive, FastIn, Node, NodeContext, Step
from residue.mapping.nodes.controls import GainRamp
from residue.mapping.nodes.fields import GainDb
from residue.mapping.nodes.shapes import InputShapes, same
from residue.mapping.signals import AUDIO_RATE_HZ, Fast, Kind, Shape

_LINES = (1009, 1187, 1361, 1523, 1693, 1871, 2039, 2203)
"""The lengths in frames, 21 to 46 ms. They are primes, so that they have no common period."""


class Reverberation(Node, frozen=True):
    """A synthetic room around the sound: one or two channels in, two out.

    The output is the room alone: mix the sound in beside it.
    Latency: the first reflection, about 20 ms. Source: feedback delay network of eight lines (after Jot, 1991) with
    a Householder matrix.
    """

    kind = "reverberation"
    family = "voices"

    input: FastIn
    decay_s: Annotated[float, Meta(ge=0.1, le=60.0, description="time to fall by 60 dB")] = 3.0
    size: Annotated[float, Meta(ge=0.3, le=3.0, description="stretches the lines")] = 1.0
    dull_hz: Annotated[float, Meta(gt=0.0, le=20_000.0, description="above it the room swallows faster")] = 4_000.0
    gain_db: GainDb | Drive = 0.0

    def gives(self, inputs: InputShapes) -> Shape:
        """Two channels of sound."""
        if same(inputs).channels > 2:
            raise ValueError(f"It takes one or two channels, not {same(inputs).channels}. Pan or mix them first.")
        return Shape(Kind.FAST, 2)

    def prepare(self, context: NodeContext) -> Step:
        """Eight lines that feed each other."""
        network, level = _Network(size=self.size, decay_s=self.decay_s, dull_hz=self.dull_hz), GainRamp()
        return lambda block: network(block.fast("input")) * level(block.span, block.controls["gain_db"])


class _Network:
    """The left channel feeds and hears the even lines, the right channel the odd ones."""

    def __init__(self, *, size: float, decay_s: float, dull_hz: float) -> None:
        lengths = [round(length * size) for length in _LINES]
        self._lines = DelayLines(lengths)
        self._losses = np.array([exact.gain_from_db(-60.0 * length / (decay_s * AUDIO_RATE_HZ)) for length in lengths])
        self._dull = SosFilter(filters.lowpass(dull_hz, AUDIO_RATE_HZ, 1), len(lengths))

    def __call__(self, sound: Fast) -> Fast:
        """The output, (2, frames)."""
        lines, dull = self._lines, self._dull
        if kernel.COMPILED:
            return kernel.room(
                sound,
                ring=lines.ring,
                lengths=lines.lengths,
                at=lines.at,
                losses=self._losses,
                sos=dull.sos,
                state=dull.state,
                guard=SUBNORMAL_GUARD,
            )
        out = np.empty((2, sound.shape[1]))
        for start in range(0, sound.shape[1], lines.longest):
            piece = sound[:, start : start + lines.longest]
            out[:, start : start + piece.shape[1]] = self._pass(piece)
        return out

    def _pass(self, piece: Fast) -> Fast:
        heard = self._lines.oldest(piece.shape[1])
        back = self._dull(heard) * self._losses[:, None]
        back -= total(back) * (2 / len(back))  # Householder: mixes all lines and keeps their power
        self._lines.push(back + piece[np.arange(len(back)) % len(piece)])
        return np.stack((total(heard[0::2]), total(heard[1::2]))) * 0.5
