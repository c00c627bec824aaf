"""Meters of sound and vibration written from the standards. They share nothing with the project: no import, no filter.

Weightings are analogue transfer functions, put on the whole signal in the frequency domain: A and C of IEC
61672-1:2013, Annex E; G of ISO 7196:1995, Table 1; K of ITU-R BS.1770-5, Annex 1, Tables 1 and 2, which are digital
at 48 kHz; Wk and Wd of ISO 8041-1:2017, Table 3. What lies between the samples is the ideal interpolation of the
sampling theorem. The signal must begin and end in silence. Levels are in dB re full scale, where a full-scale sine
reads -3.01.
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


_G_ZEROS = 4
"""At 0 Hz; ISO 7196 gives the poles in hertz, which are to be taken times 2 pi."""
_G_POLES = (
    -0.707 + 0.707j, -0.707 - 0.707j, -19.27 + 5.16j, -19.27 - 5.16j, -14.11 + 14.11j, -14.11 - 14.11j,
    -5.16 + 19.27j, -5.16 - 19.27j,
)  # fmt: skip
_K_SHELF = ((1.53512485958697, -2.69169618940638, 1.19839281085285), (1.0, -1.69065929318241, 0.73248077421585))
_K_HIGH_PASS = ((1.0, -2.0, 1.0), (1.0, -1.99004745483398, 0.99007225036621))


def _body(name: str, s: Any) -> Any:
    """Wk or Wd, s in rad/s."""
    turn = 2 * np.pi
    s = np.where(s == 0, 1e-9j, s)
    band = 1 / (1 + 2**0.5 * turn * 0.4 / s + (turn * 0.4 / s) ** 2)
    band = band / (1 + 2**0.5 * s / (turn * 100.0) + (s / (turn * 100.0)) ** 2)
    w4 = turn * {"Wk": 12.5, "Wd": 2.0}[name]
    transition = (1 + s / w4) / (1 + s / (0.63 * w4) + (s / w4) ** 2)
    if name == "Wd":
        return band * transition
    w5, w6 = turn * 2.37, turn * 3.35
    step = (1 + s / (0.91 * w5) + (s / w5) ** 2) / (1 + s / (0.91 * w6) + (s / w6) ** 2) * (w5 / w6) ** 2
    return band * transition * step


def _response(weighting: str, frequency_hz: Any) -> Any:
    """Complex, and not normalised yet."""
    s = 1j * frequency_hz
    if weighting in ("Wk", "Wd"):
        return _body(weighting, 2 * np.pi * s)
    if weighting == "G":
        return s**_G_ZEROS / np.prod([s - pole for pole in _G_POLES], axis=0)
    if weighting == "K":
        z = np.exp(-2j * np.pi * frequency_hz / RATE_HZ)
        (b, a), (d, c) = _K_SHELF, _K_HIGH_PASS
        return np.polyval(b[::-1], z) / np.polyval(a[::-1], z) * np.polyval(d[::-1], z) / np.polyval(c[::-1], z)
    c = _F4**2 * s**2 / ((s + _F1) ** 2 * (s + _F4) ** 2)
    return {"A": c * s**2 / ((s + _F2) * (s + _F3)), "C": c, "Z": np.ones_like(c)}[weighting]


_UNITY_HZ = {"A": 1000.0, "C": 1000.0, "Z": 1000.0, "G": 10.0}
"""Where a weighting is 0 dB by its definition; K, Wk and Wd are what their filters give."""


def _reference(weighting: str) -> float:
    return float(abs(_response(weighting, _UNITY_HZ[weighting]))) if weighting in _UNITY_HZ else 1.0


def analogue_db(weighting: str, frequency_hz: float) -> float:
    """The weighting by its formula."""
    return 20 * float(np.log10(abs(_response(weighting, frequency_hz)) / _reference(weighting)))


def arriving(signal: Floats, weighting: str, later_s: Sequence[float], finer: int = 1) -> list[Floats]:
    """(…, frames) under a weighting at `finer` times the rate, later by each of some times, as over longer ways."""
    frames = signal.shape[-1]
    silence = 10 if weighting in ("G", "K", "Wk", "Wd") else 1  # so long, in s, what is low may ring
    length = 2 * int(fft.next_fast_len(frames // 2 + silence * RATE_HZ // 2, real=True))
    frequency_hz = np.fft.rfftfreq(length, 1 / RATE_HZ)
    spectrum = np.fft.rfft(signal, length) * _response(weighting, frequency_hz) / _reference(weighting)
    more = [(0, 0)] * (signal.ndim - 1) + [(0, length // 2 * (finer - 1))]
    turned = (spectrum * np.exp(-2j * np.pi * frequency_hz * late_s) for late_s in later_s)
    return [np.fft.irfft(np.pad(one, more), length * finer)[..., : frames * finer] * finer for one in turned]


def weighted(signal: Floats, weighting: str, finer: int = 1) -> Floats:
    """(…, frames) under a weighting, at `finer` times the rate."""
    return arriving(signal, weighting, [0.0], finer)[0]


def delayed(signal: Floats, delay_s: float) -> Floats:
    """(frames,) later by any time, as it comes over a longer way."""
    return arriving(signal, "Z", [delay_s])[0]


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


def power(signal: Floats, weighting: str) -> float:
    """The mean square of a whole signal under a weighting, by Parseval's theorem."""
    spectrum = np.fft.rfft(signal)
    response = _response(weighting, np.fft.rfftfreq(len(signal), 1 / RATE_HZ)) / _reference(weighting)
    return 2 * float(np.sum(np.abs(spectrum * response) ** 2)) / len(signal) ** 2


def peak_db(signal: Floats, weighting: str, finer: int = 16) -> float:
    """The highest magnitude, also between the samples."""
    return peak_of(weighted(signal, weighting, finer))


def fast_maximum_db(signal: Floats, weighting: str) -> float:
    """The highest level with time weighting F, sample by sample."""
    return fast_maximum_of(weighted(signal, weighting))


def dose(signal: Floats, weighting: str, window_s: float) -> float:
    """The highest vibration dose value over a window that begins at any sample: ISO 2631-1:1997, 6.3.2."""
    fourth, frames = weighted(signal, weighting) ** 4, round(window_s * RATE_HZ)
    running = np.cumsum(np.concatenate((np.zeros(frames), fourth)))
    return float((np.max(running[frames:] - running[:-frames]) / RATE_HZ) ** 0.25)
