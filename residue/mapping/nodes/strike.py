"""A sound for each event."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

import numpy as np
from msgspec import Meta

from residue.dsp import exact, filters, kernel
from residue.dsp.exact import Floats, sine, total
from residue.dsp.filters import SosFilter
from residue.dsp.phase import Phasor
from residue.dsp.resampling import cubic
from residue.dsp.varispeed import ONE, lowpass_to_raise, places
from residue.mapping.node import Block, Drive, EventsIn, Node, NodeContext, Step
from residue.mapping.nodes.controls import AtFrame, gains, mapped
from residue.mapping.nodes.fields import FrequencyHz, GainDb, Real
from residue.mapping.nodes.recorded_sounds import recorded
from residue.mapping.nodes.shapes import InputShapes
from residue.mapping.signals import AUDIO_RATE_HZ, FAST, Shape, Signal, Span, frame_at


class Strike(Node, frozen=True):
    """A sound for each event: a decaying tone that falls in pitch to frequency_hz, or a recorded sound.

    gain_db and transpose_semitones are read at the moment of the event: a raised sound is played faster, and is
    shorter. With soft_at and hard_at the value of an event says how hard the strike is. At hard_at and beyond the sound
    is unchanged; at soft_at it is softest_db quieter, and loses dull_db more above dull_above_hz. Without them the
    value is not used.
    Latency: none. Source: synthesised once, at the start; read by a cubic through four frames, low-passed before where
    it is raised; first-order high shelf for soft strikes.
    """

    kind = "strike"
    family = "voices"

    input: EventsIn
    recording: Annotated[str | None, Meta(description="a WAV or FLAC file in the installation's folder")] = None
    frequency_hz: FrequencyHz = 48.0
    drop: Annotated[float, Meta(ge=1.0, le=16.0, description="pitch at the attack over pitch at the end")] = 2.5
    decay_s: Annotated[float, Meta(ge=0.01, le=20.0, description="time to fall by 60 dB")] = 0.6
    gain_db: GainDb | Drive = -6.0
    transpose_semitones: Annotated[float, Meta(ge=-48.0, le=24.0, description="how much higher")] | Drive = 0.0
    soft_at: Annotated[Real | None, Meta(description="value of an event that is struck most softly")] = None
    hard_at: Annotated[Real | None, Meta(description="value of an event that is struck hardest")] = None
    softest_db: Annotated[float, Meta(ge=-60.0, le=0.0, description="level of the softest")] = -24.0
    dull_db: Annotated[float, Meta(ge=0.0, le=60.0, description="what the softest loses more in the heights")] = 18.0
    dull_above_hz: Annotated[float, Meta(ge=100.0, le=10_000.0, description="where the heights begin")] = 800.0

    def __post_init__(self) -> None:
        if (self.soft_at is None) != (self.hard_at is None) or (
            self.soft_at is not None and self.soft_at == self.hard_at
        ):
            raise ValueError("soft_at and hard_at belong together and differ. Write both or none.")

    def gives(self, inputs: InputShapes) -> Shape:
        """One channel of sound."""
        return FAST

    def files(self) -> Sequence[str]:
        """The recording, if there is one."""
        return () if self.recording is None else (self.recording,)

    def prepare(self, context: NodeContext) -> Step:
        """Makes or reads the sound once."""
        sound = self._synthesised() if self.recording is None else _as_one(recorded(context, self.recording))
        player, gain_at, speed_at = _Player(self._parts(sound)), AtFrame(), AtFrame()

        def step(block: Block) -> Signal:
            gain = gain_at(block.span, gains(block.controls["gain_db"]))
            speed = speed_at(block.span, mapped(_speeds, block.controls["transpose_semitones"]))
            events = block.events("input")
            for frame, value in zip(events.frames.tolist(), events.values.tolist(), strict=True):
                player.start(_Sounding(frame, self._gains(gain(frame), value), round(speed(frame) * ONE)))
            return player.play(block.span)[None]

        return step

    def _parts(self, sound: Floats) -> list[Floats]:
        """The sound; where strikes can be soft, its low part and its high part."""
        if self.soft_at is None:
            return [sound]
        depths = SosFilter(filters.lowpass(self.dull_above_hz, AUDIO_RATE_HZ, 1))(sound)
        return [depths, sound - depths]

    def _gains(self, gain: float, value: float) -> tuple[float, ...]:
        """The gain of each part for the value of an event."""
        if self.soft_at is None or self.hard_at is None:
            return (gain,)
        short_of = 1.0 - min(max((value - self.soft_at) / (self.hard_at - self.soft_at), 0.0), 1.0)
        depths = gain * exact.gain_from_db(self.softest_db * short_of)
        return depths, depths * exact.gain_from_db(-self.dull_db * short_of)

    def _synthesised(self) -> Floats:
        frames = frame_at(self.decay_s)
        at_s = np.arange(frames) / AUDIO_RATE_HZ
        fall = exact.gains_from_db(-60.0 * at_s / self.decay_s)
        pitch_hz = self.frequency_hz * (
            1.0 + (self.drop - 1.0) * exact.gains_from_db(-60.0 * at_s / (self.decay_s / 6))
        )
        ends = np.minimum(np.minimum(at_s, at_s[::-1]) / _EDGE_S, 1.0)
        return sine(Phasor(AUDIO_RATE_HZ)(pitch_hz, frames)) * fall * ends


_EDGE_S = 0.002
_MOST_AT_ONCE = 32


def _as_one(channels: Floats) -> Floats:
    """The mean of the channels."""
    return total(channels) / len(channels)


def _speeds(semitones: Floats) -> Floats:
    return exact.exp2(semitones / 12.0)


@dataclass(frozen=True, slots=True)
class _Sounding:
    """A sound that has started: its first frame, the gain of each part, and its speed in 2**-32 frames a frame."""

    frame: int
    gains: tuple[float, ...]
    step: int


class _Player:
    """Plays one sound, in parts, from many starts; while _MOST_AT_ONCE sound already, a start is left out."""

    def __init__(self, parts: Sequence[Floats]) -> None:
        self._versions = {0: [np.pad(part, _MARGIN) for part in parts]}
        self._length = len(parts[0])
        self._sounding: list[_Sounding] = []

    def start(self, begun: _Sounding) -> None:
        """Starts one more strike."""
        if len([one for one in self._sounding if begun.frame < self._ends(one)]) < _MOST_AT_ONCE:
            self._sounding.append(begun)

    def play(self, span: Span) -> Floats:
        """The sum in the order of the starts, (frames,)."""
        out = np.zeros(span.frames)
        for one in self._sounding:
            first, last = max(one.frame, span.start), min(self._ends(one), span.stop)
            if first < last:
                self._add(one, out, span.start, first=first, last=last)
        self._sounding = [one for one in self._sounding if span.stop < self._ends(one)]
        return out

    def _ends(self, one: _Sounding) -> int:
        return one.frame + -(-self._length * ONE // one.step)

    def _add(self, one: _Sounding, out: Floats, start: int, *, first: int, last: int) -> None:
        """Adds frames first, …, last - 1 of the performance to `out`, which begins with the frame `start`."""
        if not kernel.COMPILED:
            for part, gain in zip(self._read(one, first, last), one.gains, strict=True):
                out[first - start : last - start] += part * gain
            return
        for part, gain in zip(self._parts_for(one.step), one.gains, strict=True):
            kernel.add_grain(
                out[None],
                [gain],
                ring=part,
                position=_MARGIN,
                within=first - one.frame,
                step=one.step,
                first=first - start,
                count=last - first,
                coefficients=exact.SINE_ROW,
            )

    def _read(self, one: _Sounding, first: int, last: int) -> list[Floats]:
        """Frames first, …, last - 1 of the performance, for each part."""
        parts = self._parts_for(one.step)
        if one.step == ONE:
            return [part[_MARGIN + first - one.frame : _MARGIN + last - one.frame] for part in parts]
        ahead, share = places(np.arange(first - one.frame, last - one.frame, dtype=np.int64), one.step)
        at = ahead + _MARGIN
        return [cubic(part[at - 1], part[at], part[at + 1], part[at + 2], share) for part in parts]

    def _parts_for(self, step: int) -> list[Floats]:
        return self._version(len([raised for raised in _RAISED if step > raised]))

    def _version(self, number: int) -> list[Floats]:
        """The parts with silence around them, ready to be played 2 ** (number / _VERSIONS) times as fast."""
        if number not in self._versions:
            sections = lowpass_to_raise(number / _VERSIONS, AUDIO_RATE_HZ)
            self._versions[number] = [
                np.pad(SosFilter(sections)(part[_MARGIN:-_MARGIN]), _MARGIN) for part in self._versions[0]
            ]
        return self._versions[number]


_MARGIN = 2
"""Silent frames around the sound, so that the cubic finds its neighbours."""
_VERSIONS = 2
"""The number of versions an octave for raised sounds, each low-passed so that nothing folds back."""
_RAISED = [round(exact.power(2.0, version / _VERSIONS) * ONE) for version in range(2 * _VERSIONS)]
"""Beyond each of these speeds the next version is played; two octaves are the most."""
