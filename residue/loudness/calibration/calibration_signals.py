"""Test signals that calibrate an output and identify it.

They are not in the path of any performance, so their bits may differ from machine to machine.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from residue.loudness.meters.hops import HOP_RATE_HZ
from residue.loudness.meters.levels import db_of_magnitude, db_of_power
from residue.loudness.meters.weightings import Weighting, power_gain, sections
from residue.loudness.outputs.calibration import LOW_BAND_HZ, PINK_BAND_HZ, band_level_db

Floats = NDArray[np.float64]

_LOOP_S = 20
_SEED = 1
PULSE_HZ: Mapping[str, float] = {"speaker": 440.0, "shaker": 50.0}
_PULSE_S, _PAUSE_S, _GROUP_PAUSE_S, _LAST_PAUSE_S, _FADE_S = 0.15, 0.25, 0.6, 1.5, 0.02
_GROUP = 5
"""People can count five pulses; after each five comes a longer pause."""


@dataclass(frozen=True)
class Stimulus:
    """A sound that is played over and over."""

    loop: Floats
    """(frames,): its mean square is 1 while it sounds; it repeats without a step."""
    weighted_db: Mapping[Weighting, float]
    """Its level under each weighting, relative to its own unweighted level."""

    @cached_property
    def crest_db(self) -> float:
        """The level of its peaks above its mean square."""
        return db_of_magnitude(float(np.max(np.abs(self.loop))))


def pink_noise(transducer: str, number: int = _SEED) -> Stimulus:
    """20 s of pink noise in the band of a kind of transducer; noises of other numbers have nothing to do with it."""
    return _pink_noise(PINK_BAND_HZ[transducer], number)


def low_noise(low_hz: float) -> Stimulus:
    """20 s of pink noise from a frequency up to 40 Hz."""
    return _pink_noise((low_hz, LOW_BAND_HZ[1]), _SEED)


def _pink_noise(band_hz: tuple[float, float], seed: int) -> Stimulus:
    """Made in the frequency domain: equal power in every octave of the band, nothing outside, phases at random."""
    frames = _LOOP_S * HOP_RATE_HZ
    frequency_hz = np.arange(frames // 2 + 1) / _LOOP_S
    low_hz, high_hz = band_hz
    inside = (frequency_hz >= low_hz) & (frequency_hz < high_hz)
    turns = np.random.default_rng(seed).uniform(size=len(frequency_hz))
    amplitudes = np.where(inside, 1.0 / np.sqrt(np.maximum(frequency_hz, low_hz)), 0.0)
    loop: Floats = np.fft.irfft(amplitudes * np.exp(2j * np.pi * turns), frames)
    loop /= np.sqrt(np.mean(loop * loop))
    return Stimulus(loop, {weighting: band_level_db(weighting, band_hz) for weighting in Weighting})


def counted_pulses(number: int, transducer: str) -> Stimulus:
    """As many pulses as the number of an output, in groups of five, and a pause."""
    frames = round(_PULSE_S * HOP_RATE_HZ)
    time_s = np.arange(frames) / HOP_RATE_HZ
    fade = np.minimum(1.0, np.minimum(time_s, time_s[::-1]) / _FADE_S)
    pulse_hz = PULSE_HZ[transducer]
    pulse = 2.0**0.5 * fade * np.sin(2.0 * np.pi * pulse_hz * time_s)
    parts = []
    for count in range(1, number + 1):
        pause_s = _LAST_PAUSE_S if count == number else _GROUP_PAUSE_S if count % _GROUP == 0 else _PAUSE_S
        parts += [pulse, np.zeros(round(pause_s * HOP_RATE_HZ))]
    weighted_db = {
        weighting: db_of_power(power_gain(sections(weighting, HOP_RATE_HZ), pulse_hz, HOP_RATE_HZ))
        for weighting in Weighting
    }
    return Stimulus(np.concatenate(parts), weighted_db)
