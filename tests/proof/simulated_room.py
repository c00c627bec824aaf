"""A room of figures: each loudspeaker with its way to the microphone, reflections, and whatever else sounds there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import fftconvolve

from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.stage import CapStage
from residue.proof.hearing import HeardSweeps, heard
from residue.proof.sweep import slots_of, sound_of

Floats = NDArray[np.float64]
RATE_HZ = 48_000
OUTPUTS = {"left": Output(device_channel=1), "right": Output(device_channel=2), "back": Output(device_channel=3)}
ORDERED_S = 2.0
"""The room alone is recorded so long before the sound."""
DEVICE_S = 0.43


@dataclass(frozen=True)
class Speaker:
    """A loudspeaker: how loud its first sound is at the microphone, how far it is, and how its room answers."""

    gain_db: float
    away_ms: float
    reverberation_s: float = 0.4
    seed: int = 0

    @property
    def response(self) -> Floats:
        random = np.random.default_rng(self.seed)
        frames = round(1.2 * self.reverberation_s * RATE_HZ)
        decay = 10.0 ** (-3.0 * np.arange(frames) / (self.reverberation_s * RATE_HZ))
        early = 0.02 * random.normal(size=frames) * decay
        early[0] = 1.0
        for _ in range(6):  # the first reflections
            early[random.integers(50, 1_500)] += random.uniform(-0.4, 0.4)
        delayed = np.concatenate((np.zeros(round(self.away_ms * RATE_HZ / 1000.0)), early))
        response: Floats = 10.0 ** (self.gain_db / 20.0) * delayed
        return response


HALL = {
    "left": Speaker(-12.0, 6.0, seed=1),
    "right": Speaker(-15.0, 11.0, seed=2),
    "back": Speaker(-18.0, 19.0, seed=3),
}
DEAD = -200.0


def with_gain(hall: Mapping[str, Speaker], more_db: float, *names: str) -> dict[str, Speaker]:
    """The hall with some loudspeakers, or all, louder by so much."""
    return {
        name: replace(one, gain_db=one.gain_db + more_db) if name in (names or hall) else one
        for name, one in hall.items()
    }


def noise(frames: int, level_dbfs: float, seed: int = 9) -> Floats:
    """Pink noise, as a room has it."""
    spectrum = np.fft.rfft(np.random.default_rng(seed).normal(size=frames))
    spectrum /= np.sqrt(np.maximum(np.fft.rfftfreq(frames, 1.0 / RATE_HZ), 20.0))
    pink = np.fft.irfft(spectrum, frames)
    level: Floats = 10.0 ** (level_dbfs / 20.0) * pink / np.sqrt(np.mean(pink * pink))
    return level


def hum(frames: int, level_dbfs: float) -> Floats:
    """50 Hz and what goes with it."""
    time_s = np.arange(frames) / RATE_HZ
    whole = sum(np.sin(2.0 * np.pi * 50.0 * n * time_s) / n for n in (1, 2, 3, 5))
    level: Floats = 10.0 ** (level_dbfs / 20.0) * np.asarray(whole)
    return level


def talker(frames: int, level_dbfs: float, seed: int = 5) -> Floats:
    """Somebody who talks all the time: noise around 500 Hz in syllables, louder by 12 dB at the height of each."""
    time_s = np.arange(frames) / RATE_HZ
    voice = noise(frames, level_dbfs, seed) * np.sin(2.0 * np.pi * 500.0 * time_s)
    level: Floats = 4.0 * voice * np.clip(np.sin(2.0 * np.pi * 3.0 * time_s), 0.0, 1.0)
    return level


def sent(outputs: Mapping[str, Output] = OUTPUTS) -> Floats:
    """(outputs, frames): the sweeps as they leave the cap stage."""
    sound = sound_of(outputs)
    sound = np.pad(sound, ((0, 0), (0, 24_000)))
    sound = np.pad(sound, ((0, 0), (0, -sound.shape[1] % 4_800)))
    stage = CapStage(outputs, [], metered=False)
    blocks = [stage.process(sound[:, at : at + 4_800]).frames for at in range(0, sound.shape[1], 4_800)]
    return np.concatenate(blocks, axis=1)


def recording(sound: Floats, hall: Mapping[str, Speaker], level_dbfs: float = -76.0) -> Floats:
    """(frames,): what the microphone gives, from ORDERED_S before the order on."""
    before = round((ORDERED_S + DEVICE_S) * RATE_HZ)
    frames = before + sound.shape[1] + 3 * RATE_HZ
    given = noise(frames, level_dbfs)
    for channel, speaker in zip(sound, hall.values(), strict=True):
        arrived = fftconvolve(channel, speaker.response)
        given[before : before + len(arrived)] += arrived[: frames - before]
    return given


def hearing(given: Floats, outputs: Mapping[str, Output] = OUTPUTS) -> HeardSweeps:
    """What the program makes of it, where the order is known to a few tenths of a second."""
    first = round((ORDERED_S - 0.3) * RATE_HZ)
    return heard(given, slots_of(outputs), (first, first + round(3.3 * RATE_HZ)))
