"""Muscle sound of a forearm that kneads: motor-unit twitch trains under a growing effort.

Recruitment and rate coding: Fuglevand, Winter and Patla, J Neurophysiol 70 (1993) 2470-2488: thresholds and twitch
forces grow exponentially over the pool (Henneman's size principle), rates climb in straight lines from 8 to 25-35 Hz.
Each twitch rings the muscle at its resonance, which rises with the unit's size; their sum lies where muscle sound was
measured to lie, from about 11 Hz at low to 25 Hz at full effort (Orizio et al., J Appl Physiol 68 (1990) 508-512;
Oster and Jaffe, Biophys J 30 (1980) 119-127). Fatigue slows the units and lengthens their twitches.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

Floats = NDArray[np.float64]

RATE_HZ = 2_000
FULL_SCALE_G = 2.0
UNITS = 48
RECRUITMENT_RANGE = 30.0
FORCE_RANGE = 40.0
RECRUITED_BY = 0.7
"""At this effort the last unit has joined; beyond it only the rates climb."""
LOWEST_RATE_HZ = 8.0
HIGHEST_RATE_HZ = (35.0, 25.0)
"""Of the smallest and of the largest unit."""
RATE_PER_EFFORT_HZ = 40.0
INTERVAL_VARIATION = 0.18
RESONANCE_HZ = (11.0, 27.0)
"""Of the smallest and of the largest unit."""
_WANDER = signal.butter(2, 0.4, fs=RATE_HZ, output="sos")
TWITCH_S = 0.4
REST_S = 26.0
"""So long before the end of the recording the arms give out."""


@dataclass(frozen=True)
class Evening:
    """How an evening of kneading goes."""

    seed: int
    minutes: float
    strokes_hz: float
    """Strokes a second; the arms take turns."""
    haste: float
    """Below 1 the effort grows late, above 1 early."""
    pauses: tuple[float, ...]
    """Parts of the evening (0 to 1) at which the baker stops for breath."""


def effort(evening: Evening, arm: int, at_s: Floats, wander: Floats) -> Floats:
    """Effort (0 to 1) of one arm: strokes under an arc from rest to exhaustion; wander: slow unevenness, RMS 1."""
    part = at_s / (evening.minutes * 60.0)
    arc = 0.05 + 0.92 * np.clip(part / 0.93, 0.0, 1.0) ** (1.0 / evening.haste)
    stroke = np.clip(np.sin(2 * np.pi * (evening.strokes_hz * at_s + 0.5 * arm)), 0.0, None)
    held = 0.25 + 0.5 * part  # towards the end the arms no longer let go between strokes
    for pause in evening.pauses:
        arc = arc * (1.0 - 0.85 * np.exp(-0.5 * ((part - pause) / 0.016) ** 4))
    tremor = 1.0 + 0.35 * np.clip(part - 0.6, 0.0, None) / 0.4 * np.sin(2 * np.pi * 9.3 * at_s + arm)
    starts = np.clip(at_s / 4.0, 0.0, 1.0)
    ends = np.clip((evening.minutes * 60.0 - REST_S - at_s) / 3.0, 0.02, 1.0)
    strained: Floats = np.clip(
        arc * (held + (1.0 - held) * stroke) * (1.0 + 0.08 * wander) * tremor * starts * ends, 0.0, 1.0
    )
    return strained


class Arm:
    """One arm's motor units, going on from call to call."""

    def __init__(self, evening: Evening, arm: int) -> None:
        self._evening, self._arm = evening, arm
        self._random = np.random.Generator(np.random.PCG64([evening.seed, arm]))
        place = np.arange(UNITS) / (UNITS - 1)
        self._threshold = RECRUITED_BY * RECRUITMENT_RANGE ** (place - 1.0)
        self._force = FORCE_RANGE ** (place - 1.0)
        self._ceiling_hz = HIGHEST_RATE_HZ[0] + (HIGHEST_RATE_HZ[1] - HIGHEST_RATE_HZ[0]) * place
        self._phase = self._random.uniform(0.0, 1.0, UNITS)
        self._twitches = [self._twitch(p) for p in place]
        self._tail = np.zeros(round(TWITCH_S * RATE_HZ))
        self._wander = np.zeros((len(_WANDER), 2))

    def _twitch(self, place: float) -> Floats:
        at_s = np.arange(round(TWITCH_S * RATE_HZ)) / RATE_HZ
        resonance_hz = RESONANCE_HZ[0] + (RESONANCE_HZ[1] - RESONANCE_HZ[0]) * place * self._random.uniform(0.85, 1.15)
        ring = np.sin(2 * np.pi * resonance_hz * at_s) * np.exp(-at_s * resonance_hz / 1.1)
        steady: Floats = ring - ring.mean()
        return steady

    def sound(self, first: int, count: int) -> Floats:
        """Samples first .. first + count - 1 of the microphone in g, with peaks of about 1.5 at full effort."""
        at_s = np.arange(first, first + count) / RATE_HZ
        rough = self._random.normal(0.0, 1.0, count)
        slow, self._wander = signal.sosfilt(_WANDER, rough, zi=self._wander)
        drive = effort(self._evening, self._arm, at_s, slow * np.sqrt(RATE_HZ / 0.8))
        tired = np.clip(at_s / (self._evening.minutes * 60.0) - 0.5, 0.0, None) / 0.5
        out = np.zeros(count + len(self._tail))
        out[: len(self._tail)] += self._tail
        for unit in range(UNITS):
            climbing_hz = LOWEST_RATE_HZ + RATE_PER_EFFORT_HZ * (drive - self._threshold[unit])
            rate_hz = np.minimum(climbing_hz, self._ceiling_hz[unit]) * (1.0 - 0.25 * tired)
            turns = self._phase[unit] + np.cumsum(np.where(drive > self._threshold[unit], rate_hz, 0.0)) / RATE_HZ
            fires = np.flatnonzero(np.diff(np.floor(turns), prepend=np.floor(self._phase[unit])) > 0)
            self._phase[unit] = turns[-1] % 1.0
            late = self._random.normal(0.0, INTERVAL_VARIATION, len(fires)) * RATE_HZ / np.maximum(rate_hz[fires], 4.0)
            impulses = np.bincount(np.clip(fires + np.rint(late).astype(int), 0, count - 1), minlength=count)
            loud = impulses * (self._force[unit] * (1.0 + 0.6 * tired))
            out[: count + len(self._tail) - 1] += signal.fftconvolve(loud, self._twitches[unit])
        self._tail = out[count:].copy()
        noise = self._random.normal(0.0, 0.0015, count) + 0.002 * np.sin(2 * np.pi * 50.0 * at_s)
        bumps = signal.lfilter([1.0], [1.0, -0.97], (self._random.random(count) < 0.03 / RATE_HZ) * 0.3)
        heard: Floats = out[:count] * 0.22 + noise + bumps
        return heard


def evening_sound(evening: Evening, piece_s: float = 30.0) -> Iterator[Floats]:
    """Both arms, (samples, 2), full scale = 1, in pieces, so that an evening may be as long as one likes."""
    arms = [Arm(evening, arm) for arm in (0, 1)]
    total = round(evening.minutes * 60.0 * RATE_HZ)
    step = round(piece_s * RATE_HZ)
    for first in range(0, total, step):
        count = min(step, total - first)
        both = np.stack([arm.sound(first, count) for arm in arms], axis=1)
        yield np.clip(both / FULL_SCALE_G, -0.999, 0.999)
