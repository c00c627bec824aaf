"""An EEG of somebody who sits before an oven: noise that falls with frequency, alpha bursts, blinks.

The background falls about as 1/f; alpha (9 to 11 Hz) comes in bursts of a second or two, stronger at the back of the
head and while the eyes are closed; blinks lift the front by 100 microvolts and more. Common practice, no source; the
figures are invented within it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

Floats = NDArray[np.float64]

RATE_HZ = 256
SITES: Mapping[str, tuple[float, float]] = {
    "Fp1": (0.35, 1.0),
    "Fp2": (0.35, 0.95),
    "O1": (1.0, 0.08),
    "O2": (0.9, 0.08),
}
"""By site: how strong alpha is there, and how strong blinks."""


@dataclass(frozen=True)
class Sitting:
    """How somebody sits before the oven."""

    closing_s: float
    """About how long the eyes stay closed, and open, in turn."""
    begins: float
    """Where in these turns the evening begins: 0 with eyes that close, a half with eyes that open."""
    drowsy: float
    """How strong theta is, as a part of all that lies below alpha; it fades as the evening wakes."""


def eeg(seed: int, minutes: float, sitting: Sitting) -> dict[str, Floats]:
    """Microvolts at RATE_HZ by site."""
    random = np.random.Generator(np.random.PCG64([seed, 11]))
    count = round(minutes * 60 * RATE_HZ)
    at_s = np.arange(count) / RATE_HZ
    closed = 1.0 / (1.0 + np.exp(-6.0 * np.sin(2 * np.pi * (sitting.begins + at_s / (2.0 * sitting.closing_s)))))
    bursts = np.clip(_slow(random, count, 0.5) + 0.4, 0.0, None)
    alpha = _band(random, count, 9.0, 11.0) * bursts * (0.25 + 1.6 * closed) * 9.0
    blinks = _blinks(random, count, 1.0 - closed)
    theta = _band(random, count, 4.0, 7.0) * sitting.drowsy * 14.0 * 0.5 ** (at_s / 60.0)
    return {
        site: _pink(random, count) * 7.0 + _band(random, count, 14.0, 28.0) * 2.5 + theta + alpha * back + blinks * lid
        for site, (back, lid) in SITES.items()
    }


def _unit(values: Floats) -> Floats:
    scaled: Floats = values / values.std()
    return scaled


def _slow(random: np.random.Generator, count: int, cutoff_hz: float) -> Floats:
    return _unit(signal.sosfilt(signal.butter(2, cutoff_hz, fs=RATE_HZ, output="sos"), random.normal(0, 1, count)))


def _band(random: np.random.Generator, count: int, low_hz: float, high_hz: float) -> Floats:
    sos = signal.butter(2, [low_hz, high_hz], "band", fs=RATE_HZ, output="sos")
    return _unit(signal.sosfilt(sos, random.normal(0, 1, count)))


def _pink(random: np.random.Generator, count: int) -> Floats:
    """The sum of smoothed noises an octave apart, each with the same power."""
    return _unit(np.sum([_slow(random, count, cutoff_hz) for cutoff_hz in (0.5, 1, 2, 4, 8, 16, 32, 64)], axis=0))


def _blinks(random: np.random.Generator, count: int, open_eyes: Floats) -> Floats:
    starts = (random.random(count) < 0.28 / RATE_HZ * open_eyes).astype(float)
    lid = np.hanning(round(0.35 * RATE_HZ)) * 130.0
    blinks: Floats = signal.fftconvolve(starts, lid)[:count]
    return blinks
