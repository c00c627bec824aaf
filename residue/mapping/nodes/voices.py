"""Voices made of a given sound: the muscle's own sound, bent sound, or resonances."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Annotated, Literal

import numpy as np
from msgspec import Meta

from residue.dsp import exact, filters
from residue.dsp.exact import Floats, sine, total
from residue.dsp.filters import FromFirst, SosFilter
from residue.dsp.grains import Raised
from residue.dsp.phase import Phasor
from residue.dsp.shaping import saturate
from residue.mapping.node import Block, Drive, FastIn, Node, NodeContext, Ramp, SlowIn, Step
from residue.mapping.nodes.controls import GainRamp
from residue.mapping.nodes.crossing import ToFast
from residue.mapping.nodes.fields import CutoffHz, GainDb
from residue.mapping.nodes.shapes import InputShapes, LikeInput, below_half_rate
from residue.mapping.signals import AUDIO_RATE_HZ, CONTROL_RATE_HZ, FAST, SLOW, Fast, Shape, Signal, frame_at

DriveDb = Annotated[float, Meta(ge=-40.0, le=60.0, description="level into the saturation")]


class MuscleVoice(Node, frozen=True):
    """The muscle's own sound, made audible: a band of the slow input, moved up and saturated.

    "multiply" raises every frequency `up` times, "ring" gives sum and difference with a carrier of ring_hz, "none" does
    not move the sound. Saturation adds harmonics, so that a 15 Hz sound is heard on small speakers too. drive_db must
    bring the sensor's unit to about full scale (1.0) at full effort.
    Latency: 4 ms; with "multiply" on average (up - 1) * grain_s / 2 more. Source: grains read faster and crossfaded;
    balanced modulation; rational approximation of tanh.
    """

    kind = "muscle_voice"
    family = "voices"

    input: SlowIn
    low_hz: CutoffHz = 5.0
    high_hz: CutoffHz = 100.0
    transpose: Annotated[Literal["none", "multiply", "ring"], Meta(description="how it is moved up")] = "multiply"
    up: Annotated[int, Meta(ge=2, le=16, description="factor of multiply")] = 4
    grain_s: Annotated[float, Meta(ge=0.02, le=1.0, description="length of a grain of multiply")] = 0.1
    ring_hz: Annotated[float, Meta(ge=5.0, le=2000.0, description="carrier of ring")] | Drive = 60.0
    drive_db: DriveDb | Drive = 0.0

    def gives(self, inputs: InputShapes) -> Shape:
        """One channel of sound."""
        if self.low_hz >= self.high_hz:
            raise ValueError(f"low_hz = {self.low_hz:g} is not below high_hz = {self.high_hz:g}. Exchange them.")
        below_half_rate(SLOW, high_hz=self.high_hz)
        return FAST

    def prepare(self, context: NodeContext) -> Step:
        """Band at the slow rate, then sound, then up, then saturation."""
        level, band = FromFirst(), SosFilter(filters.bandpass((self.low_hz, self.high_hz), CONTROL_RATE_HZ))
        sound, move, drive = ToFast(), _MOVES[self.transpose](self), GainRamp()

        def step(block: Block) -> Signal:
            heard = sound(block.span, band(level(block.slow("input"))))
            moved = move(heard, block)
            return saturate(moved * drive(block.span, block.controls["drive_db"]))

        return step


Move = Callable[[Fast, Block], Fast]


def _stay(voice: MuscleVoice) -> Move:
    return lambda sound, block: sound


def _multiply(voice: MuscleVoice) -> Move:
    raised = Raised(voice.up, frame_at(voice.grain_s))
    return lambda sound, block: raised(sound[0])[None]


def _ring(voice: MuscleVoice) -> Move:
    phasor, ramp = Phasor(AUDIO_RATE_HZ), Ramp()
    return lambda sound, block: (
        sound * sine(phasor(ramp(block.span, block.controls["ring_hz"]), block.span.frames)) * 2.0
    )


_MOVES = {"none": _stay, "multiply": _multiply, "ring": _ring}


class Saturate(LikeInput, frozen=True):
    """Bends loud values smoothly, so that they stay within -1 and 1; this adds odd harmonics.

    Latency: none. Source: rational approximation of tanh.
    """

    kind = "saturate"
    family = "voices"

    input: FastIn
    drive_db: DriveDb | Drive = 0.0

    def prepare(self, context: NodeContext) -> Step:
        """Applies the drive, then the curve."""
        drive = GainRamp()
        return lambda block: saturate(block.fast("input") * drive(block.span, block.controls["drive_db"]))


_PIECE_FRAMES = 2_048


class Resonators(Node, frozen=True):
    """A bank of tuned resonances that any sound excites; mono in, mono out.

    Eight modes cost one or two percent of a core.
    Latency: none. Source: two-pole resonators of equal peak gain in parallel.
    """

    kind = "resonators"
    family = "voices"

    input: FastIn
    modes_hz: Annotated[
        list[Annotated[float, Meta(ge=10.0, le=16_000.0)]],
        Meta(min_length=1, max_length=32, description="frequency of each mode"),
    ]
    decay_s: Annotated[float, Meta(ge=0.01, le=60.0, description="time to fall by 60 dB, of the lowest mode")] = 2.0
    damping: Annotated[float, Meta(ge=0.0, le=2.0, description="how much faster high modes die: 0 not, 1 as f")] = 0.5
    gains_db: Annotated[list[GainDb] | None, Meta(description="one for each mode; 0 dB where left out")] = None

    def __post_init__(self) -> None:
        if self.gains_db is not None and len(self.gains_db) != len(self.modes_hz):
            raise ValueError(f"{len(self.gains_db)} gains for {len(self.modes_hz)} modes. Write one for each mode.")

    def gives(self, inputs: InputShapes) -> Shape:
        """One channel of sound."""
        return FAST

    def prepare(self, context: NodeContext) -> Step:
        """One two-pole filter for each mode."""
        bank = SosFilter(np.stack(list(self._sections())))

        def step(block: Block) -> Signal:
            sound = total(block.fast("input"))
            out = np.empty((1, len(sound)))
            for start in range(0, len(sound), _PIECE_FRAMES):  # so that all modes of a piece stay near the processor
                piece = slice(start, start + _PIECE_FRAMES)
                out[0, piece] = total(bank(sound[piece]))
            return out

        return step

    def _sections(self) -> Iterator[Floats]:
        lowest_hz = min(self.modes_hz)
        for mode_hz, gain_db in zip(self.modes_hz, self.gains_db or [0.0] * len(self.modes_hz), strict=True):
            decay_s = self.decay_s / exact.power(mode_hz / lowest_hz, self.damping)
            sections = filters.resonator(mode_hz, rate_hz=AUDIO_RATE_HZ, decay_s=decay_s)
            sections[0, :3] *= exact.gain_from_db(gain_db)
            yield sections
