"""The muscle: its work, from its sound (MMG) or its voltage (EMG)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

import numpy as np
from msgspec import Meta

from residue.dsp import filters
from residue.dsp.contact import Contact
from residue.dsp.filters import FromFirst, SosFilter
from residue.dsp.sliding import SlidingMean
from residue.dsp.switching import Hysteresis
from residue.mapping.node import Block, NodeContext, SlowIn, Step, Trusted
from residue.mapping.nodes.fields import CutoffHz, Real, TimeS, WindowS
from residue.mapping.nodes.outline import ReleaseS, outline
from residue.mapping.nodes.shapes import InputShapes, SlowNode, below_half_rate
from residue.mapping.signals import (
    CONTROL_RATE_HZ,
    EVENTS,
    FRAMES_PER_TICK,
    SLOW,
    Events,
    Shape,
    Signal,
    Slow,
)


class Rms(SlowNode, frozen=True):
    """Root mean square over the last window_s; at the beginning over the values so far.

    Trust: the share that is not hum of the mains, an offset or drift; 0 while the sensor gives nothing that moves; less
    where the signal is clipped. Noise sounds like a muscle, and no sensor tells its own gain.
    Latency: half the window. Source: definition.
    """

    kind = "rms"
    family = "muscle"
    has_trust = True

    input: SlowIn
    window_s: WindowS = 0.25

    def prepare(self, context: NodeContext) -> Step:
        """The root of a sliding mean of squares."""
        return _read(_rms(self.window_s), drifts=True)


class MeanAbsolute(SlowNode, frozen=True):
    """Mean absolute value over the last window_s; at the beginning over the values so far.

    Trust: the share that is not hum of the mains, an offset or drift; 0 while the sensor gives nothing that moves; less
    where the signal is clipped. Noise sounds like a muscle, and no sensor tells its own gain.
    Latency: half the window. Source: definition.
    """

    kind = "mean_absolute"
    family = "muscle"
    has_trust = True

    input: SlowIn
    window_s: WindowS = 0.25

    def prepare(self, context: NodeContext) -> Step:
        """A sliding mean of magnitudes."""
        mean = SlidingMean(_ticks(self.window_s))
        return _read(lambda signal: mean(np.abs(signal)), drifts=True)


class Envelope(SlowNode, frozen=True):
    """The outline of the magnitude: rises within attack_s, falls by 63 % within release_s.

    Trust: the share that is not hum of the mains, an offset or drift; 0 while the sensor gives nothing that moves; less
    where the signal is clipped. Noise sounds like a muscle, and no sensor tells its own gain.
    Latency: attack_s. Source: exponentially falling maximum, then a one-pole low-pass.
    """

    kind = "envelope"
    family = "muscle"
    has_trust = True

    input: SlowIn
    attack_s: TimeS = 0.05
    release_s: ReleaseS = 0.5

    def prepare(self, context: NodeContext) -> Step:
        """Falls from each peak, then rounds the rises off."""
        traced = outline(self.attack_s, self.release_s)
        return _read(lambda signal: traced(np.abs(signal)), drifts=True)


class Onsets(SlowNode, frozen=True):
    """An event each time the input rises to a threshold, valued with the input.

    The next event comes only after the input has fallen to rearm_at, and not within refractory_s.
    Trust: that of the input.
    Latency: none.
    """

    kind = "onsets"
    family = "muscle"

    input: SlowIn
    threshold: Real
    rearm_at: Annotated[float | None, Meta(description="half the threshold where left out")] = None
    refractory_s: Annotated[float, Meta(ge=0.0, le=60.0, description="shortest time between two events")] = 0.2

    def __post_init__(self) -> None:
        if self._rearm_at > self.threshold:
            raise ValueError(f"rearm_at = {self._rearm_at:g} is above the threshold {self.threshold:g}. Lower it.")

    @property
    def _rearm_at(self) -> float:
        return self.threshold / 2 if self.rearm_at is None else self.rearm_at

    def gives(self, inputs: InputShapes) -> Shape:
        """Events."""
        return EVENTS

    def prepare(self, context: NodeContext) -> Step:
        """Reads the input at the few ticks where the switch opens."""
        switch = Hysteresis(self.threshold, self._rearm_at)
        refractory = round(self.refractory_s * CONTROL_RATE_HZ)
        was_open, last = False, -refractory

        def step(block: Block) -> Signal:
            nonlocal was_open, last
            signal = block.slow("input")
            is_open = np.concatenate(([was_open], switch(signal)))
            was_open = bool(is_open[-1])
            rises = []
            for index in np.flatnonzero(is_open[1:] & ~is_open[:-1]).tolist():
                tick = block.span.first_tick + index
                if tick - last >= refractory:
                    rises.append(index)
                    last = tick
            return Events((block.span.first_tick + np.array(rises, np.int64)) * FRAMES_PER_TICK, signal[rises])

        return step


class Effort(SlowNode, frozen=True):
    """The work done so far, which leaks away: an input of 1 fills it to 1 in fill_s if nothing leaks.

    Feed it an envelope. With a leak, a constant input of 1 tends to leak_s / fill_s.
    Trust: that of the input.
    Latency: none. Source: leaky integrator, dy/dt = x / fill_s - y / leak_s.
    """

    kind = "effort"
    family = "muscle"

    input: SlowIn
    fill_s: Annotated[float, Meta(ge=0.1, le=36_000.0, description="time of full effort that fills it")] = 60.0
    leak_s: Annotated[float, Meta(ge=0.1, le=36_000.0, description="time constant of forgetting")] = 120.0

    def prepare(self, context: NodeContext) -> Step:
        """A one-pole low-pass, scaled."""
        sections = filters.smoother(self.leak_s, CONTROL_RATE_HZ)
        run, scale = SosFilter(sections), self.leak_s / self.fill_s
        return lambda block: run(block.slow("input")) * scale


class BandLevel(SlowNode, frozen=True):
    """Root mean square of the band between two frequencies; with the defaults, physiological tremor.

    Trust: the share that is not hum of the mains; 0 while the sensor gives nothing that moves, or slower movement hides
    the muscle; less where the signal is clipped.
    Latency: half the window. Source: Butterworth band-pass; 8 to 12 Hz is the usual range of physiological tremor.
    """

    kind = "band_level"
    family = "muscle"
    has_trust = True

    input: SlowIn
    low_hz: CutoffHz = 8.0
    high_hz: CutoffHz = 12.0
    window_s: WindowS = 1.0

    def __post_init__(self) -> None:
        if self.low_hz >= self.high_hz:
            raise ValueError(f"low_hz = {self.low_hz:g} is not below high_hz = {self.high_hz:g}. Exchange them.")

    def gives(self, inputs: InputShapes) -> Shape:
        """A slow signal, if its rate can carry the band."""
        below_half_rate(SLOW, high_hz=self.high_hz)
        return SLOW

    def prepare(self, context: NodeContext) -> Step:
        """Filters the input, then measures its level."""
        level, band = (
            FromFirst(),
            SosFilter(filters.bandpass((self.low_hz, self.high_hz), CONTROL_RATE_HZ, _BAND_ORDER)),
        )
        rms = _rms(self.window_s)
        return _read(lambda signal: rms(band(level(signal))))


class CoContraction(SlowNode, frozen=True):
    """The share of work that two opposed muscles do at the same time: 0 if only one works, 1 if both work equally.

    Feed it two envelopes in the same scale. 2 min(a, b) / (a + b).
    Latency: none. Source: Falconer and Winter, Electromyogr Clin Neurophysiol 25 (1985) 135-149.
    """

    kind = "co_contraction"
    family = "muscle"

    a: SlowIn
    b: SlowIn

    def prepare(self, context: NodeContext) -> Step:
        """The shared part of both; 0 where neither works."""

        def step(block: Block) -> Signal:
            a, b = np.maximum(block.slow("a"), 0.0), np.maximum(block.slow("b"), 0.0)
            shared: Slow = 2.0 * np.minimum(a, b) / np.maximum(a + b, _LEAST)
            return shared

        return step


_BAND_ORDER = 8
_LEAST = 1e-30


def _read(measured: Callable[[Slow], Slow], *, drifts: bool = False) -> Step:
    """A step that measures its input, and trusts it as far as the sensor has contact.

    drifts: whether a drift of the input is in what is measured.
    """
    contact = Contact(CONTROL_RATE_HZ, drifts=drifts)

    def step(block: Block) -> Trusted:
        signal = block.slow("input")
        return Trusted(measured(signal), contact(signal))

    return step


def _ticks(window_s: float) -> int:
    return max(1, round(window_s * CONTROL_RATE_HZ))


def _rms(window_s: float) -> Callable[[Slow], Slow]:
    """Root mean square over a sliding window."""
    mean = SlidingMean(_ticks(window_s))
    return lambda values: np.sqrt(mean(values * values))
