"""Delays, loops and echoes: sounds of the past that continue to sound."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

import numpy as np
from msgspec import Meta

from residue.dsp import filters, kernel
from residue.dsp.delay import DelayLine, DelayLines
from residue.dsp.exact import Floats, total
from residue.dsp.filters import SUBNORMAL_GUARD, SosFilter
from residue.dsp.shaping import bend_above, entering, leaving
from residue.mapping.node import Block, Control, Drive, FastIn, Node, NodeContext, Ramp, Step
from residue.mapping.nodes.controls import GainRamp, mapped
from residue.mapping.nodes.fields import GainDb, Unity
from residue.mapping.nodes.shapes import InputShapes, LikeInput
from residue.mapping.signals import AUDIO_RATE_HZ, Kind, Shape, Signal, frame_at


class Layers(Node, frozen=True):
    """Loops that accumulate sound: each loop plays its content and adds the input to it, round after round.

    With several loops whose lengths are not multiples of each other, the layers drift against each other. Each loop is
    placed from left to right by `spread`. A round loses decay_db; a loop near full scale is bent smoothly, never
    clipped, but several loops together may exceed full scale. take_db is the level of recording, gain_db the level of
    playing. To let the layers fade, let a section set a high decay_db, or drive it by a rise_and_fall of events. The
    output is two channels, the layers alone: mix the input in beside it.
    Latency: none; a layer sounds for the first time after the length of its loop. Source: feedback delay with a soft
    bound in the loop.
    """

    kind = "layers"
    family = "memory"

    input: FastIn
    loop_s: Annotated[
        list[Annotated[float, Meta(ge=0.05, le=120.0)]],
        Meta(min_length=1, max_length=8, description="length of each loop"),
    ]
    take_db: GainDb | Drive = 0.0
    gain_db: GainDb | Drive = 0.0
    decay_db: Annotated[float, Meta(ge=0.0, le=120.0, description="what a round of a loop loses")] | Drive = 1.5
    dull_hz: Annotated[float, Meta(gt=0.0, le=20_000.0, description="low-pass a round goes through")] = 12_000.0
    spread: Unity | Drive = 1.0

    def gives(self, inputs: InputShapes) -> Shape:
        """Two channels of sound."""
        return Shape(Kind.FAST, 2)

    def prepare(self, context: NodeContext) -> Step:
        """One ring for each loop."""
        clean = SosFilter(filters.highpass(_LOWEST_HZ, AUDIO_RATE_HZ, 1))
        loops = _Loops([frame_at(length_s) for length_s in self.loop_s], self.dull_hz)
        places = [2 * (n + 0.5) / len(self.loop_s) - 1 for n in range(len(self.loop_s))]
        pans = [_Pan(place) for place in places]
        take, give, keep = GainRamp(), GainRamp(), GainRamp()

        def step(block: Block) -> Signal:
            span, controls = block.span, block.controls
            heard = clean(total(block.fast("input"))) * take(span, controls["take_db"])
            kept = keep(span, -controls["decay_db"])
            level = give(span, controls["gain_db"])
            out = np.zeros((2, span.frames))
            for loop, pan in zip(loops(heard, kept), pans, strict=True):
                sounding = loop * level
                for channel, gain in zip(out, pan(block, controls["spread"]), strict=True):
                    channel += sounding * gain
            return out

        return step


class Echo(LikeInput, frozen=True):
    """A long delay line that feeds back on itself.

    Latency: delay_s. Source: feedback comb filter.
    """

    kind = "echo"
    family = "memory"

    input: FastIn
    delay_s: Annotated[float, Meta(ge=0.005, le=120.0, description="time between repeats")]
    feedback: Annotated[float, Meta(ge=0.0, le=0.98, description="share of a repeat that comes again")] | Drive = 0.5
    dull_hz: Annotated[float, Meta(gt=0.0, le=20_000.0, description="low-pass each repeat goes through")] = 8_000.0

    def prepare(self, context: NodeContext) -> Step:
        """A ring of the delay's length."""
        channels = context.shape("input").channels
        line, dull = DelayLine(channels, frame_at(self.delay_s)), SosFilter(_dulling(self.dull_hz), channels)
        ramp = Ramp()

        def step(block: Block) -> Signal:
            sound, feedback = block.fast("input"), ramp(block.span, block.controls["feedback"])
            out = np.empty_like(sound)
            for here in _pieces(block.span.frames, line.length):
                out[:, here] = line.oldest(here.stop - here.start)
                line.push(sound[:, here] + dull(out[:, here]) * _part(feedback, here))
            return out

        return step


_LOWEST_HZ = 5.0
"""Below it a loop records nothing: otherwise an offset would grow without being heard."""
_BENT_FROM, _BOUND = 0.5, 1.0


class _Loops:
    """Rings that play their content and add the input to it."""

    def __init__(self, lengths: list[int], dull_hz: float) -> None:
        self._lines = DelayLines(lengths)
        self._dull = SosFilter(_dulling(dull_hz), len(lengths))

    def __call__(self, heard: Floats, kept: Control) -> Floats:
        """The output of each, (loops, frames)."""
        lines, dull = self._lines, self._dull
        if kernel.COMPILED:
            return kernel.loops(
                heard,
                np.atleast_1d(kept),
                ring=lines.ring,
                lengths=lines.lengths,
                at=lines.at,
                sos=dull.sos,
                state=dull.state,
                guard=SUBNORMAL_GUARD,
                knee=_BENT_FROM,
                bound=_BOUND,
            )
        out = np.empty((len(lines.lengths), len(heard)))
        for here in _pieces(len(heard), lines.longest):
            out[:, here] = lines.oldest(here.stop - here.start)
            again = dull(out[:, here]) * _part(kept, here) + heard[here]
            lines.push(bend_above(again, _BENT_FROM, _BOUND))
        return out


class _Pan:
    """The two gains of a place between -1 and 1; a smaller spread brings it to the middle."""

    def __init__(self, place: float) -> None:
        self._place = place
        self._left, self._right = Ramp(), Ramp()

    def __call__(self, block: Block, spread: Control) -> tuple[Control, Control]:
        return (
            self._left(block.span, mapped(self._left_of, spread)),
            self._right(block.span, mapped(self._right_of, spread)),
        )

    def _left_of(self, spread: Floats) -> Floats:
        return leaving((self._place * spread + 1.0) / 2.0)

    def _right_of(self, spread: Floats) -> Floats:
        return entering((self._place * spread + 1.0) / 2.0)


def _dulling(cutoff_hz: float) -> Floats:
    return filters.lowpass(cutoff_hz, AUDIO_RATE_HZ, 1)


def _pieces(frames: int, longest: int) -> Iterator[slice]:
    for start in range(0, frames, longest):
        yield slice(start, min(start + longest, frames))


def _part(control: Control, here: slice) -> Control:
    return control if isinstance(control, float) else control[here]
