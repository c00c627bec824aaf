"""A sound level meter written from the standards, which shares nothing with the project: no import, no filter.

Weightings are the analogue transfer functions of IEC 61672-1:2013, Annex E, put on the whole signal in the frequency
domain; what lies between the samples is the ideal interpolation of the sampling theorem. The signal must begin and end
in silence. Levels are in dB re full scale, where a full-scale sine reads -3.01.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy import signal as sps

Floats = NDArray[np.float64]

RATE_HZ = 48_000
_F1, _F2, _F3, _F4 = 20.598997, 107.652649, 737.862231, 12194.217148
"""The poles in Hz that follow from the definitions of Annex E."""
_FAST_S = 0.125
"""IEC 61672-1:2013, 5.8."""


def _response(weighting: str, frequency_hz: Any) -> Any:
    """Complex, and not normalised yet."""
    s = 1j * frequency_hz
    c = _F4**2 * s**2 / ((s + _F1) ** 2 * (s + _F4) ** 2)
    return {"A": c * s**2 / ((s + _F2) * (s + _F3)), "C": c, "Z": np.ones_like(c)}[weighting]


def analogue_db(weighting: str, frequency_hz: float) -> float:
    """The weighting by its formula, 0 dB at 1 kHz."""
    return 20 * float(np.log10(abs(_response(weighting, frequency_hz)) / abs(_response(weighting, 1000.0))))


def arriving(signal: Floats, weighting: str, later_s: Sequence[float], finer: int = 1) -> list[Floats]:
    """(…, frames) under A, C or Z at `finer` times the rate, later by each of some times, as over longer ways."""
    frames = signal.shape[-1]
    length = 2 * int(fft.next_fast_len(frames // 2 + RATE_HZ // 2, real=True))
    frequency_hz = np.fft.rfftfreq(length, 1 / RATE_HZ)
    reference = abs(_response(weighting, 1000.0))
    spectrum = np.fft.rfft(signal, length) * _response(weighting, frequency_hz) / reference
    more = [(0, 0)] * (signal.ndim - 1) + [(0, length // 2 * (finer - 1))]
    turned = (spectrum * np.exp(-2j * np.pi * frequency_hz * late_s) for late_s in later_s)
    return [np.fft.irfft(np.pad(one, more), length * finer)[..., : frames * finer] * finer for one in turned]


def weighted(signal: Floats, weighting: str, finer: int = 1) -> Floats:
    """(…, frames) under A, C or Z, at `finer` times the rate."""
    return arriving(signal, weighting, [0.0], finer)[0]


def equivalent_of(heard: Floats, window_s: float) -> float:
    """Of what is weighted, the highest equivalent level over a window from any sample on: IEC 61672-1:2013, 3.10."""
    power, frames = heard**2, round(window_s * RATE_HZ)
    running = np.cumsum(np.concatenate((np.zeros(frames), power)))
    return 10 * float(np.log10(np.max(running[frames:] - running[:-frames]) / frames + 1e-30))


def peak_of(heard: Floats) -> float:
    """Of what is weighted, at a finer rate than it was sent, the highest magnitude."""
    return 20 * float(np.log10(np.max(np.abs(heard)) + 1e-30))


def fast_maximum_of(heard: Floats) -> float:
    """Of what is weighted, the highest level with time weighting F, sample by sample."""
    fall = np.exp(-1 / (_FAST_S * RATE_HZ))
    return 10 * float(np.log10(np.max(sps.lfilter([1 - fall], [1, -fall], heard**2)) + 1e-30))


def equivalent_db(signal: Floats, weighting: str, window_s: float) -> float:
    """The highest equivalent level over a window that begins at any sample."""
    return equivalent_of(weighted(signal, weighting), window_s)


def peak_db(signal: Floats, weighting: str, finer: int = 16) -> float:
    """The highest magnitude, also between the samples."""
    return peak_of(weighted(signal, weighting, finer))


def fast_maximum_db(signal: Floats, weighting: str) -> float:
    """The highest level with time weighting F."""
    return fast_maximum_of(weighted(signal, weighting))
