"""Filters and delays, for slow and fast signals alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated, Protocol

import numpy as np
from msgspec import Meta

from residue.dsp import filters
from residue.dsp.delay import DelayLine
from residue.dsp.filters import FromFirst, SosFilter
from residue.dsp.swept import FilterSide
from residue.mapping.node import Block, Drive, EitherIn, NodeContext, Step
from residue.mapping.nodes.fields import CutoffHz, TimeS
from residue.mapping.nodes.shapes import InputShapes, LikeInput, below_half_rate, same
from residue.mapping.nodes.sweeping import Swept
from residue.mapping.signals import RATE_HZ, Fast, Kind, Shape, Signal, Slow

FilterOrder = Annotated[int, Meta(ge=1, le=8, description="slope: 6 dB an octave each")]


class Highpass(LikeInput, frozen=True):
    """Removes everything below the cutoff: drift, movement, breathing. A driven cutoff moves without clicks.

    Latency: none (a driven cutoff lags by 0.5 ms). Source: Butterworth response, bilinear transform.
    """

    kind = "highpass"
    family = "conditioning"

    input: EitherIn
    cutoff_hz: CutoffHz | Drive
    order: FilterOrder = 2

    def gives(self, inputs: InputShapes) -> Shape:
        """The kind and channels of its input."""
        below_half_rate(same(inputs), cutoff_hz=self.cutoff_hz)
        return same(inputs)

    def prepare(self, context: NodeContext) -> Step:
        """Starts at rest, whatever the input's offset."""
        if isinstance(self.cutoff_hz, Drive) or "cutoff_hz" in context.moving:
            return _swept(context, self.order, FromFirst(), [("high", "cutoff_hz")])
        return _filter(context, filters.highpass(self.cutoff_hz, context.rate_hz("input"), self.order), FromFirst())


class Lowpass(LikeInput, frozen=True):
    """Removes everything above the cutoff. A driven cutoff moves without clicks.

    Latency: none (a driven cutoff lags by 0.5 ms). Source: Butterworth response, bilinear transform.
    """

    kind = "lowpass"
    family = "conditioning"

    input: EitherIn
    cutoff_hz: CutoffHz | Drive
    order: FilterOrder = 2

    def gives(self, inputs: InputShapes) -> Shape:
        """The kind and channels of its input."""
        below_half_rate(same(inputs), cutoff_hz=self.cutoff_hz)
        return same(inputs)

    def prepare(self, context: NodeContext) -> Step:
        """A slow signal starts at its first value, sound at 0."""
        if isinstance(self.cutoff_hz, Drive) or "cutoff_hz" in context.moving:
            return _settled(context, _swept(context, self.order, None, [("low", "cutoff_hz")]))
        sections = filters.lowpass(self.cutoff_hz, context.rate_hz("input"), self.order)
        return _settled(context, _filter(context, sections))


class Bandpass(LikeInput, frozen=True):
    """Keeps everything between two cutoffs. A driven cutoff moves without clicks.

    Latency: none (a driven cutoff lags by 0.5 ms). Source: Butterworth high-pass and low-pass in a row, bilinear
    transform.
    """

    kind = "bandpass"
    family = "conditioning"

    input: EitherIn
    low_hz: CutoffHz | Drive
    high_hz: CutoffHz | Drive
    order: FilterOrder = 2

    def __post_init__(self) -> None:
        if isinstance(self.low_hz, Drive) or isinstance(self.high_hz, Drive):
            return
        if self.low_hz >= self.high_hz:
            raise ValueError(f"low_hz = {self.low_hz:g} is not below high_hz = {self.high_hz:g}. Exchange them.")

    def gives(self, inputs: InputShapes) -> Shape:
        """The kind and channels of its input."""
        below_half_rate(same(inputs), low_hz=self.low_hz, high_hz=self.high_hz)
        return same(inputs)

    def prepare(self, context: NodeContext) -> Step:
        """Starts at rest, whatever the input's offset."""
        if isinstance(self.low_hz, Drive) or isinstance(self.high_hz, Drive) or {"low_hz", "high_hz"} & context.moving:
            return _swept(context, self.order, FromFirst(), [("high", "low_hz"), ("low", "high_hz")])
        sections = filters.bandpass((self.low_hz, self.high_hz), context.rate_hz("input"), self.order)
        return _filter(context, sections, FromFirst())


class Notch(LikeInput, frozen=True):
    """Removes the hum of the mains and its harmonics, up to half the rate of the signal.

    Latency: none. Source: second-order notch, bilinear transform.
    """

    kind = "notch"
    family = "conditioning"

    input: EitherIn
    mains_hz: Annotated[float, Meta(ge=10.0, le=1000.0, description="50 in most of the world, 60 in some")] = 50.0
    harmonics: Annotated[int, Meta(ge=1, le=20, description="how many, the first being the mains itself")] = 4
    width_hz: Annotated[float, Meta(ge=0.1, le=20.0, description="between the points at -3 dB")] = 2.0

    def gives(self, inputs: InputShapes) -> Shape:
        """The kind and channels of its input."""
        below_half_rate(same(inputs), mains_hz=self.mains_hz)
        return same(inputs)

    def prepare(self, context: NodeContext) -> Step:
        """One notch for each harmonic below half the rate."""
        rate_hz = context.rate_hz("input")
        centres_hz = [n * self.mains_hz for n in range(1, self.harmonics + 1) if n * self.mains_hz < rate_hz / 2]
        sections = np.vstack([filters.notch(f, rate_hz=rate_hz, q=f / self.width_hz) for f in centres_hz])
        return _settled(context, _filter(context, sections))


class Delay(LikeInput, frozen=True):
    """Delays its input. Until the delay has passed a slow signal gives its first value, and sound is silent.

    Latency: delay_s, rounded to whole ticks or frames.
    """

    kind = "delay"
    family = "conditioning"

    input: EitherIn
    delay_s: Annotated[float, Meta(ge=0.0, le=600.0, description="how much later")]

    def prepare(self, context: NodeContext) -> Step:
        """A ring as long as the delay."""
        shape = context.shape("input")
        line = DelayLine(shape.channels, round(self.delay_s * RATE_HZ[shape.kind]))

        def step(block: Block) -> Slow | Fast:
            signal = block.either("input")
            return line(np.atleast_2d(signal)).reshape(signal.shape)

        return _settled(context, step)


class Smooth(LikeInput, frozen=True):
    """Follows the input with a time constant. A slow signal starts at its first value.

    Latency: time_s. Source: one-pole low-pass.
    """

    kind = "smooth"
    family = "conditioning"

    input: EitherIn
    time_s: TimeS

    def prepare(self, context: NodeContext) -> Step:
        """A one-pole low-pass, or nothing where time_s is 0."""
        if self.time_s == 0:
            return lambda block: block.either("input").copy()
        return _settled(context, _filter(context, filters.smoother(self.time_s, context.rate_hz("input"))))


class Filtering(Protocol):
    """A step that gives the kind of its input."""

    def __call__(self, block: Block) -> Slow | Fast:
        """The filtered signal, in the shape of the input."""


def _settled(context: NodeContext, step: Filtering) -> Step:
    """A filter that starts as if the first value of a slow input had been there always, or silence before a sound."""
    if context.shape("input").kind is Kind.FAST:
        return step
    level = FromFirst()

    def settled(block: Block) -> Signal:
        moved = replace(block, inputs={**block.inputs, "input": level(block.slow("input"))})
        return level.back(step(moved))

    return settled


def _filter(context: NodeContext, sections: filters.Floats, before: FromFirst | None = None) -> Filtering:
    """A filter over all channels of the input."""
    run = SosFilter(sections, context.shape("input").channels)
    return lambda block: run(before(block.either("input")) if before else block.either("input"))


def _swept(
    context: NodeContext, order: int, before: FromFirst | None, cutoffs: Sequence[tuple[FilterSide, str]]
) -> Filtering:
    """Filters whose cutoffs move. cutoffs: for each filter the part that passes, and the parameter."""
    shape = context.shape("input")
    sweeps = [(Swept(part, order, shape), field) for part, field in cutoffs]

    def step(block: Block) -> Slow | Fast:
        signal = block.either("input")
        signal = before(signal) if before else signal
        for swept, field in sweeps:
            signal = swept(block.span, signal, block.controls[field])
        return signal

    return step
