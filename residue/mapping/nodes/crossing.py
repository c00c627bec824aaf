"""From slow to fast."""

from __future__ import annotations

import numpy as np

from residue.dsp import filters
from residue.dsp.exact import total
from residue.dsp.filters import SosFilter
from residue.dsp.interpolation import Interpolator
from residue.mapping.node import Block, FastIn, Node, NodeContext, Ramp, SlowIn, Step
from residue.mapping.nodes.shapes import InputShapes, SlowNode
from residue.mapping.signals import CONTROL_RATE_HZ, FAST, FRAMES_PER_TICK, Fast, Shape, Signal, Slow, Span


class Audify(Node, frozen=True):
    """Makes a slow signal audible as it is: its 2,000 values a second become 48,000 frames, nothing above 1 kHz.

    Latency: 8 ms. Source: polyphase interpolation with a Kaiser-windowed sinc.
    """

    kind = "sound"
    family = "crossing"

    input: SlowIn

    def gives(self, inputs: InputShapes) -> Shape:
        """One channel of sound."""
        return FAST

    def prepare(self, context: NodeContext) -> Step:
        """Interpolates to audio rate."""
        sound = ToFast()
        return lambda block: sound(block.span, block.slow("input"))


class AudioRateControl(Node, frozen=True):
    """A slow signal as a fast one, in straight lines from tick to tick, to be multiplied with sound.

    Latency: 0.5 ms.
    """

    kind = "control"
    family = "crossing"

    input: SlowIn

    def gives(self, inputs: InputShapes) -> Shape:
        """One channel of sound."""
        return FAST

    def prepare(self, context: NodeContext) -> Step:
        """Draws straight lines from tick to tick."""
        ramp = Ramp()
        return lambda block: np.atleast_2d(ramp(block.span, block.slow("input")))


class Follow(SlowNode, frozen=True):
    """The level of a fast signal as a slow one: root mean square over all channels, one value a tick, smoothed.

    Latency: time constant of 20 ms. Source: mean square of each tick's frames, one-pole low-pass.
    """

    kind = "follow"
    family = "crossing"

    input: FastIn

    def prepare(self, context: NodeContext) -> Step:
        """Tick k gives the level of the FRAMES_PER_TICK frames before it."""
        smooth = SosFilter(filters.smoother(_FOLLOW_S, CONTROL_RATE_HZ))
        squares = np.zeros(FRAMES_PER_TICK)  # of the frames that belong to the next tick

        def step(block: Block) -> Signal:
            nonlocal squares
            sound = block.fast("input")
            ahead = np.concatenate((squares, total(channel * channel for channel in sound)))
            spoken = block.span.ticks * FRAMES_PER_TICK
            squares = ahead[spoken:]
            means = np.add.reduce(ahead[:spoken].reshape(-1, FRAMES_PER_TICK), axis=1) / (FRAMES_PER_TICK * len(sound))
            return np.sqrt(smooth(means))

        return step


_FOLLOW_S = 0.02


class ToFast:
    """A slow signal interpolated to one channel of sound, span by span."""

    def __init__(self) -> None:
        self._interpolate = Interpolator(FRAMES_PER_TICK)

    def __call__(self, span: Span, signal: Slow) -> Fast:
        """(1, frames)."""
        lead = span.start - (span.first_tick - 1) * FRAMES_PER_TICK
        return self._interpolate(signal, lead, span.frames)[None]
