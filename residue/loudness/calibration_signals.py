"""What is played to calibrate an output and to tell which it is.

Not in the path of any performance, so these need not have the same bits on every machine.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.loudness.calibration import PINK_BAND_HZ
from residue.loudness.hops import HOP_RATE_HZ

Floats = NDArray[np.float64]

_LOOP_S = 20
_SEED = 1
PULSE_HZ: Mapping[str, float] = {"speaker": 440.0, "shaker": 50.0}
_PULSE_S, _PAUSE_S, _GROUP_PAUSE_S, _FADE_S = 0.15, 0.25, 0.6, 0.02
_GROUP = 5
"""People count up to five pulses; after each five comes a longer pause."""


def pink_noise_loop(transducer: str) -> Floats:
    """(frames,): 20 s of pink noise in the band of a kind of transducer, mean square 1, that joins on to itself.

    Made in the frequency domain: equal power in every octave of the band, nothing outside, phases at random.
    """
    frames = _LOOP_S * HOP_RATE_HZ
    frequency_hz = np.arange(frames // 2 + 1) / _LOOP_S
    low_hz, high_hz = PINK_BAND_HZ[transducer]
    inside = (frequency_hz >= low_hz) & (frequency_hz < high_hz)
    turns = np.random.default_rng(_SEED).uniform(size=len(frequency_hz))
    amplitudes = np.where(inside, 1.0 / np.sqrt(np.maximum(frequency_hz, low_hz)), 0.0)
    loop: Floats = np.fft.irfft(amplitudes * np.exp(2j * np.pi * turns), frames)
    loop /= np.sqrt(np.mean(loop * loop))
    return loop


def counted_pulses(number: int, transducer: str, level_dbfs: float) -> Floats:
    """(frames,): as many pulses as the number of an output, in groups of five, and a pause.

    level_dbfs: mean square of a pulse.
    """
    frames = round(_PULSE_S * HOP_RATE_HZ)
    time_s = np.arange(frames) / HOP_RATE_HZ
    fade = np.minimum(1.0, np.minimum(time_s, time_s[::-1]) / _FADE_S)
    amplitude = exact.gain_from_db(level_dbfs) * 2.0**0.5
    pulse = amplitude * fade * np.sin(2.0 * np.pi * PULSE_HZ[transducer] * time_s)
    parts = []
    for count in range(1, number + 1):
        pause_s = _GROUP_PAUSE_S if count % _GROUP == 0 or count == number else _PAUSE_S
        parts += [pulse, np.zeros(round(pause_s * HOP_RATE_HZ))]
    return np.concatenate(parts)
