"""A sound for each event."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import numpy as np
import soundfile
from msgspec import Meta

from residue.dsp import exact, filters
from residue.dsp.exact import Floats, sine, total
from residue.dsp.filters import SosFilter
from residue.dsp.phase import Phasor
from residue.dsp.resampling import cubic
from residue.mapping.node import Block, Drive, EventsIn, Node, NodeContext, Step
from residue.mapping.nodes.controls import AtFrame, gains, mapped
from residue.mapping.nodes.fields import FrequencyHz, GainDb
from residue.mapping.nodes.shapes import InputShapes
from residue.mapping.signals import AUDIO_RATE_HZ, FAST, Shape, Signal, Span, frame_at


class Strike(Node, frozen=True):
    """A sound for each event: a decaying tone that falls in pitch to frequency_hz, or a recorded sound.

    The event's value is not used. gain_db and transpose_semitones are taken at the moment of the event: a sound that is
    raised is read faster, and is shorter.
    Latency: none. Source: synthesised when prepared; read by a cubic through four frames, low-passed before where it
    is raised.
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

    def gives(self, inputs: InputShapes) -> Shape:
        """One channel of sound."""
        return FAST

    def files(self) -> Sequence[str]:
        """The recording, if there is one."""
        return () if self.recording is None else (self.recording,)

    def prepare(self, context: NodeContext) -> Step:
        """Makes or reads the sound once."""
        sound = self._synthesised() if self.recording is None else _recorded(Path(context.folder) / self.recording)
        player, gain_at, speed_at = _Player(sound), AtFrame(), AtFrame()

        def step(block: Block) -> Signal:
            gain = gain_at(block.span, gains(block.controls["gain_db"]))
            speed = speed_at(block.span, mapped(_speeds, block.controls["transpose_semitones"]))
            for frame in block.events("input").frames.tolist():
                player.start(_Sounding(frame, gain(frame), round(speed(frame) * _ONE)))
            return player.play(block.span)[None]

        return step

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


def _recorded(path: Path) -> Floats:
    """The recording as one channel."""
    try:
        frames, rate_hz = soundfile.read(path, always_2d=True)
    except (OSError, soundfile.SoundFileError) as error:
        raise ValueError(f"The recording {path} cannot be read: {error}. Put a WAV or FLAC file there.") from error
    if rate_hz != AUDIO_RATE_HZ:
        raise ValueError(f"The recording {path} has {rate_hz} frames a second. Convert it to {AUDIO_RATE_HZ}.")
    return np.ascontiguousarray(total(frames.T) / frames.shape[1])


def _speeds(semitones: Floats) -> Floats:
    return exact.exp2(semitones / 12.0)


@dataclass(frozen=True, slots=True)
class _Sounding:
    """A sound that was started: at which frame, how loud, and how far it is read on with each frame, in 2**-32."""

    frame: int
    gain: float
    step: int


class _Player:
    """Plays one sound from many starts; beyond _MOST_AT_ONCE sounding at once, a start is left out."""

    def __init__(self, sound: Floats) -> None:
        self._versions = {0: np.pad(sound, _MARGIN)}
        self._length = len(sound)
        self._sounding: list[_Sounding] = []

    def start(self, begun: _Sounding) -> None:
        """Starts one more strike."""
        if len([one for one in self._sounding if begun.frame < self._ends(one)]) < _MOST_AT_ONCE:
            self._sounding.append(begun)

    def play(self, span: Span) -> Floats:
        """(frames,): the sum, in the order of the starts."""
        out = np.zeros(span.frames)
        for one in self._sounding:
            first, last = max(one.frame, span.start), min(self._ends(one), span.stop)
            if first < last:
                out[first - span.start : last - span.start] += self._read(one, first, last) * one.gain
        self._sounding = [one for one in self._sounding if span.stop < self._ends(one)]
        return out

    def _ends(self, one: _Sounding) -> int:
        return one.frame + -(-self._length * _ONE // one.step)

    def _read(self, one: _Sounding, first: int, last: int) -> Floats:
        """Frames first, …, last - 1 of the performance."""
        sound = self._version(len([raised for raised in _RAISED if one.step > raised]))
        if one.step == _ONE:
            return sound[_MARGIN + first - one.frame : _MARGIN + last - one.frame]
        places = np.arange(first - one.frame, last - one.frame, dtype=np.int64) * one.step
        at, share = (places >> 32) + _MARGIN, (places & (_ONE - 1)) / _ONE
        return cubic(sound[at - 1], sound[at], sound[at + 1], sound[at + 2], share)

    def _version(self, number: int) -> Floats:
        """The sound with silence around it, ready to be read 2 ** (number / _VERSIONS) times as fast."""
        if number not in self._versions:
            cutoff_hz = _CLEAN_HZ * exact.power(2.0, -number / _VERSIONS)
            sections = filters.lowpass(cutoff_hz, AUDIO_RATE_HZ, 8)
            sound = self._versions[0][_MARGIN:-_MARGIN]
            self._versions[number] = np.pad(SosFilter(np.vstack((sections, sections)))(sound), _MARGIN)
        return self._versions[number]


_ONE = 1 << 32
_MARGIN = 2
"""Silent frames around the sound, so that the cubic finds its neighbours."""
_VERSIONS = 2
"""So many to an octave are made ready for raised sounds, each without what would fold back."""
_RAISED = [round(exact.power(2.0, version / _VERSIONS) * _ONE) for version in range(2 * _VERSIONS)]
"""Beyond each of these steps the next version is read; two octaves are the most."""
_CLEAN_HZ = 18_000.0
