"""A sound for each event."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import numpy as np
import soundfile
from msgspec import Meta

from residue.dsp import exact
from residue.dsp.exact import Floats, sine, total
from residue.dsp.phase import Phasor
from residue.mapping.node import Block, Drive, EventsIn, Node, NodeContext, Step
from residue.mapping.nodes.controls import AtFrame, gains
from residue.mapping.nodes.fields import FrequencyHz, GainDb
from residue.mapping.nodes.shapes import Shapes
from residue.mapping.signals import AUDIO_RATE_HZ, FAST, Shape, Signal, Span, frame_at


class Strike(Node, frozen=True):
    """A sound for each event: a decaying tone that falls in pitch to frequency_hz, or a recorded sound.

    The event's value is not used; gain_db and frequency_hz are taken at the moment of the event.
    Latency: none. Source: synthesised when prepared.
    """

    kind = "strike"
    family = "voices"

    input: EventsIn
    recording: Annotated[str | None, Meta(description="a WAV or FLAC file in the installation's folder")] = None
    frequency_hz: FrequencyHz = 48.0
    drop: Annotated[float, Meta(ge=1.0, le=16.0, description="pitch at the attack over pitch at the end")] = 2.5
    decay_s: Annotated[float, Meta(ge=0.01, le=20.0, description="time to fall by 60 dB")] = 0.6
    gain_db: GainDb | Drive = -6.0

    def gives(self, inputs: Shapes) -> Shape:
        """One channel of sound."""
        return FAST

    def files(self) -> Sequence[str]:
        """The recording, if there is one."""
        return () if self.recording is None else (self.recording,)

    def prepare(self, context: NodeContext) -> Step:
        """Makes or reads the sound once."""
        sound = self._synthesised() if self.recording is None else _recorded(Path(context.folder) / self.recording)
        player, gain_at = _Player(sound), AtFrame()

        def step(block: Block) -> Signal:
            gain = gain_at(block.span, gains(block.controls["gain_db"]))
            for frame in block.events("input").frames.tolist():
                player.start(frame, gain(frame))
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


class _Player:
    """Plays one sound from many starts; beyond _MOST_AT_ONCE sounding at once, a start is left out."""

    def __init__(self, sound: Floats) -> None:
        self._sound = sound
        self._sounding: list[tuple[int, float]] = []

    def start(self, frame: int, gain: float) -> None:
        """From that frame on, at that gain."""
        if sum(frame < begun + len(self._sound) for begun, _ in self._sounding) < _MOST_AT_ONCE:
            self._sounding.append((frame, gain))

    def play(self, span: Span) -> Floats:
        """(frames,): the sum, in the order of the starts."""
        out = np.zeros(span.frames)
        for start, gain in self._sounding:
            first, last = max(start, span.start), min(start + len(self._sound), span.stop)
            if first < last:
                out[first - span.start : last - span.start] += self._sound[first - start : last - start] * gain
        self._sounding = [(start, gain) for start, gain in self._sounding if span.stop < start + len(self._sound)]
        return out
