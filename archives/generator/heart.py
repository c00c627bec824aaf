"""An ECG by the dynamical model of McSharry, Clifford, Tarassenko and Smith, IEEE Trans Biomed Eng 50 (2003) 289-294.

The trajectory's angle runs through one turn a beat; five attractors on the circle (P, Q, R, S, T) pull the voltage.
The angle is driven by a tachogram that falls from work to rest, with respiratory arrhythmia (0.25 Hz) and the slow
wave of the blood pressure (0.1 Hz), both of which grow as the heart calms.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

Floats = NDArray[np.float64]

RATE_HZ = 256
_ANGLE = np.radians([-70.0, -15.0, 0.0, 15.0, 100.0])
_PULL = np.array([1.2, -5.0, 30.0, -7.5, 0.75])
_WIDTH = np.array([0.25, 0.1, 0.1, 0.1, 0.4])
_OVERSAMPLED = 4
_LOOSE_S = 7.0


@dataclass(frozen=True)
class Calming:
    """How the heart comes to rest during an evening."""

    seed: int
    minutes: float
    from_bpm: float
    to_bpm: float
    half_s: float
    """In this time half of the way is done."""
    starts_s: float
    """So long the heart stays at work."""
    loose_at_s: float | None
    """When an electrode lets go for some seconds, if it does."""


def heart_rate(calming: Calming, at_s: Floats) -> Floats:
    """Beats a minute at each time, without the unevenness."""
    fallen = 1.0 - 0.5 ** (np.clip(at_s - calming.starts_s, 0.0, None) / calming.half_s)
    return calming.from_bpm + (calming.to_bpm - calming.from_bpm) * fallen


def ecg(calming: Calming) -> tuple[Floats, Floats]:
    """The voltage in mV at RATE_HZ, and the times of the R waves in s."""
    random = np.random.Generator(np.random.PCG64([calming.seed, 7]))
    fine_hz = RATE_HZ * _OVERSAMPLED
    at_s = np.arange(round(calming.minutes * 60 * fine_hz)) / fine_hz
    bpm, turns = _turns(calming, at_s, fine_hz, random)
    angle = 2 * np.pi * (turns % 1.0) - np.pi
    pull = np.zeros(len(at_s))
    for centre, strength, width in zip(_ANGLE, _PULL, _WIDTH, strict=True):
        away = (angle - centre + np.pi) % (2 * np.pi) - np.pi
        # In the model's time a turn lasts a second; the factor keeps the waves' height at every rate.
        pull -= strength * away * np.exp(-0.5 * (away / width) ** 2) * bpm / 60.0 * 2 * np.pi
    wave = signal.lfilter([1.0 / fine_hz], [1.0, -(1.0 - 1.0 / fine_hz)], pull)
    wave = wave / np.percentile(np.abs(wave), 99.9) * 1.1
    baseline = 0.12 * np.sin(2 * np.pi * 0.25 * at_s) + 0.04 * np.sin(2 * np.pi * 0.05 * at_s)
    voltage: Floats = signal.resample_poly(wave + baseline, 1, _OVERSAMPLED)
    hum = 0.01 * np.sin(2 * np.pi * 50 * np.arange(len(voltage)) / RATE_HZ)
    voltage += random.normal(0, 0.012, len(voltage)) + hum
    beats = at_s[np.flatnonzero(np.diff(np.floor(turns + 0.5)) > 0) + 1]
    return _loosened(calming, voltage, beats, random)


def _turns(calming: Calming, at_s: Floats, rate_hz: int, random: np.random.Generator) -> tuple[Floats, Floats]:
    """The rate, and how many beats have passed, at each time."""
    bpm = heart_rate(calming, at_s)
    calm = (calming.from_bpm - bpm) / (calming.from_bpm - calming.to_bpm)
    slow = signal.butter(2, 0.03, fs=rate_hz, output="sos")
    wander = signal.sosfilt(slow, random.normal(0, 1, len(at_s)))
    breath = (0.012 + 0.03 * calm) * np.sin(2 * np.pi * 0.25 * at_s)
    pressure = 0.02 * np.sin(2 * np.pi * 0.1 * at_s + 1.0)
    return bpm, np.cumsum(bpm / 60.0 * (1.0 + breath + pressure + 0.01 * wander / wander.std())) / rate_hz


def _loosened(calming: Calming, voltage: Floats, beats: Floats, random: np.random.Generator) -> tuple[Floats, Floats]:
    """While the electrode is loose the amplifier stands at its rail, and nobody sees the beats."""
    if calming.loose_at_s is None:
        return voltage, beats
    first, last = calming.loose_at_s, calming.loose_at_s + _LOOSE_S
    loose = slice(round(first * RATE_HZ), round(last * RATE_HZ))
    voltage[loose] = 2.4 + random.normal(0, 0.01, len(voltage[loose]))
    return voltage, beats[(beats < first) | (beats > last)]
