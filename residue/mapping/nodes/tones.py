"""Voices that signals drive: noise and tones."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from msgspec import Meta

from residue.dsp.exact import partials, sine, total
from residue.dsp.phase import Phasor
from residue.mapping.node import Block, Control, Drive, Node, NodeContext, Ramp, SlowIn, Step
from residue.mapping.nodes.controls import GainRamp
from residue.mapping.nodes.fields import FrequencyHz, GainDb
from residue.mapping.nodes.shapes import InputShapes
from residue.mapping.signals import AUDIO_RATE_HZ, FAST, Kind, Shape, Signal


class Noise(Node, frozen=True):
    """White noise, RMS 0.25 at 0 dB; the same on every run.

    Latency: none (a driven level lags by 0.5 ms). Source: PCG64, uniform.
    """

    kind = "noise"
    family = "voices"

    gain_db: GainDb | Drive = 0.0
    channels: Annotated[int, Meta(ge=1, le=8, description="how many, unlike each other")] = 1

    def gives(self, inputs: InputShapes) -> Shape:
        """So many channels of sound."""
        return Shape(Kind.FAST, self.channels)

    def prepare(self, context: NodeContext) -> Step:
        """Draws frame after frame."""
        random, level = context.random(), GainRamp()

        def step(block: Block) -> Signal:
            drawn = random(block.span.frames * self.channels).reshape(-1, self.channels).T
            return (drawn - 0.5) * (2 * _NOISE_PEAK) * level(block.span, block.controls["gain_db"])

        return step


_NOISE_PEAK = 0.4330127018922193
"""A uniform distribution between -p and p has an RMS of p over the root of 3."""


class Oscillator(Node, frozen=True):
    """A tone whose frequency and level may be driven.

    Latency: none (what is driven lags by 0.5 ms). Source: integer phase; harmonics fall as 1/n, none above 16 kHz.
    """

    kind = "oscillator"
    family = "voices"

    frequency_hz: FrequencyHz | Drive
    gain_db: GainDb | Drive = -12.0
    harmonics: Annotated[int, Meta(ge=1, le=16, description="partials, each at level 1/n")] = 1

    def gives(self, inputs: InputShapes) -> Shape:
        """One channel of sound."""
        return FAST

    def prepare(self, context: NodeContext) -> Step:
        """Sines on multiples of one phase."""
        phasor, frequency, level = Phasor(AUDIO_RATE_HZ), Ramp(), GainRamp()
        weights = 1.0 / np.arange(1, self.harmonics + 1)

        def step(block: Block) -> Signal:
            hz = frequency(block.span, block.controls["frequency_hz"])
            phase = phasor(hz, block.span.frames)
            highest_hz = np.max(hz, initial=0.0)
            if self.harmonics * highest_hz <= _HIGHEST_HZ - _FADING_HZ:
                tone = partials(phase, weights)
            else:
                numbers = range(1, self.harmonics + 1)
                tone = total(sine(phase * np.uint64(n)) * (_share(n * hz, n * highest_hz) / n) for n in numbers)
            return (tone * level(block.span, block.controls["gain_db"]))[None]

        return step


_HIGHEST_HZ, _FADING_HZ = 17_000.0, 1000.0
"""Partials fade out over the last 1,000 Hz below the highest frequency, so that nothing folds back."""


def _share(hz: Control, highest_hz: float) -> Control:
    """The share of a partial that is left; a whole partial costs nothing."""
    if highest_hz <= _HIGHEST_HZ - _FADING_HZ:
        return 1.0
    return np.clip((_HIGHEST_HZ - hz) / _FADING_HZ, 0.0, 1.0)


class LowVoice(Node, frozen=True):
    """A voice for the floor or a shaker: two low tones that beat; a slow signal (0 to 1) is their level.

    Latency: 0.5 ms. Source: integer phase, straight lines from tick to tick.
    """

    kind = "low_voice"
    family = "voices"

    input: SlowIn
    frequency_hz: Annotated[float, Meta(ge=10.0, le=200.0, description="frequency of the first tone")] | Drive = 32.0
    beat_hz: Annotated[float, Meta(ge=0.0, le=20.0, description="how much higher the second tone is")] | Drive = 0.0
    gain_db: GainDb | Drive = -6.0

    def gives(self, inputs: InputShapes) -> Shape:
        """One channel of sound."""
        return FAST

    def prepare(self, context: NodeContext) -> Step:
        """Two sines, with straight lines for the level."""
        first, second = Phasor(AUDIO_RATE_HZ), Phasor(AUDIO_RATE_HZ)
        strength, frequency, beat, level = Ramp(), Ramp(), Ramp(), GainRamp()

        def step(block: Block) -> Signal:
            span, controls = block.span, block.controls
            hz = frequency(span, controls["frequency_hz"])
            tones = sine(first(hz, span.frames)) + sine(second(hz + beat(span, controls["beat_hz"]), span.frames))
            as_strong = strength(span, np.clip(block.slow("input"), 0.0, 1.0))
            return (tones * 0.5 * as_strong * level(span, controls["gain_db"]))[None]

        return step
