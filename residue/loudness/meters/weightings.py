"""Frequency weightings as second-order sections.

K of ITU-R BS.1770, A and C of IEC 61672-1, G of ISO 7196 for infrasound, Wk and Wd of ISO 2631-1 for vibration of
the body, and Z, which weights nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import StrEnum
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.loudness.meters.vibration import body_sections

Floats = NDArray[np.float64]


class Weighting(StrEnum):
    """The frequency weightings."""

    A = "A"
    C = "C"
    G = "G"
    K = "K"
    WD = "Wd"
    WK = "Wk"
    Z = "Z"


FELT = (Weighting.WK, Weighting.WD)
"""The weightings of vibration: up and down, and horizontal."""

_REFERENCE_HZ = 1000.0
"""A and C are 0 dB here (IEC 61672-1:2013, 5.5)."""

_C_LOW_HZ, _A_LOW_HZ, _A_MIDDLE_HZ, _C_HIGH_HZ = (
    20.598997057568145,
    107.65264864304628,
    737.8622307362899,
    12194.217147998012,
)
"""Poles of A and C, after IEC 61672-1:2013, Annex E, from its exact definitions; a test recomputes them."""

_K_TABLE_HZ = 48_000.0
_K_TABLES = (
    (1681.974450955533, (1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585)),
    (38.135470876113, (1.0, -2.0, 1.0, -1.99004745483398, 0.99007225036621)),
)
"""ITU-R BS.1770-5, Annex 1, Tables 1 and 2: b0 b1 b2 a1 a2 at 48 kHz, each with the frequency of its poles, which
follows from a1 and a2 (a test recomputes it)."""


def _quadratic_squared(c: Floats, sin2: float) -> float:
    """|c0 + c1/z + c2/z²|² on the unit circle, as a function of sin²(w/2), which stays exact at low frequencies."""
    c0, c1, c2 = map(float, c)
    total = c0 + c1 + c2
    return total * total - 4.0 * sin2 * (c0 * c1 + 4.0 * c0 * c2 + c1 * c2) + 16.0 * sin2 * sin2 * c0 * c2


@lru_cache(1_000)  # several weightings are asked about the same frequencies
def _half_sine(frequency_hz: float, rate_hz: float) -> float:
    """The sine of half the angle that a frequency turns in a sample."""
    return exact.sin_turns(frequency_hz / rate_hz / 2.0)


def power_gain(sos: Floats, frequency_hz: float, rate_hz: float) -> float:
    """The square of the gain of second-order sections at a frequency."""
    half = _half_sine(frequency_hz, rate_hz)
    gain = 1.0
    for section in sos:
        gain *= _quadratic_squared(section[:3], half * half) / _quadratic_squared(section[3:], half * half)
    return gain


def _real_highpass(*, low_hz: float, high_hz: float, rate_hz: float) -> Floats:
    """Two first-order high-passes in one section, by the bilinear transform, with each pole at its exact frequency."""
    (b, a1), (d, c1) = (
        (1.0 / (1.0 + w), (w - 1.0) / (1.0 + w))
        for w in (exact.tan_turns(hz / rate_hz / 2) for hz in (low_hz, high_hz))
    )
    return np.array([[b * d, -2.0 * b * d, b * d, 1.0, a1 + c1, a1 * c1]])


_MATCHED_SHARES = (0.45, 0.7, 0.88, 0.96)
_MATCHED_UP_TO_HZ = 24_000.0


def _double_lowpass(pole_hz: float, rate_hz: float) -> Floats:
    """Two equal real poles, with the magnitude of the analogue filter at 0 and at four frequencies.

    The bilinear transform would force a zero at half the rate: 6 dB too little at 16 kHz. This method finds the squared
    magnitude as a ratio of two polynomials in sin²(w/2). Below 20 kHz and half the rate it is at most 0.081 dB too low
    at 48 kHz, and less at other rates. The order of the sums is fixed, so that the bits are always the same.
    """

    def analogue(frequency_hz: float) -> float:
        ratio = frequency_hz / pole_hz
        return 1.0 / ((1.0 + ratio * ratio) * (1.0 + ratio * ratio))

    rows = []
    for share in _MATCHED_SHARES:
        frequency_hz = share * min(rate_hz / 2.0, _MATCHED_UP_TO_HZ)
        half, wanted = exact.sin_turns(frequency_hz / rate_hz / 2.0), analogue(frequency_hz)
        sin2 = half * half
        rows.append([sin2, sin2 * sin2, -wanted * sin2, -wanted * sin2 * sin2, wanted - 1.0])
    b1, b2, a1, a2 = _solved(rows)
    return np.array([[*_minimum_phase(b1, b2), *_minimum_phase(a1, a2)]]) / _minimum_phase(a1, a2)[0]


def _solved(rows: list[list[float]]) -> list[float]:
    """The unknowns of linear equations, the right side last in each row, by elimination."""
    for at, pivot in enumerate(rows):
        pivot[:] = [value / pivot[at] for value in pivot]
        for row in rows:
            if row is not pivot:
                row[:] = [value - row[at] * known for value, known in zip(row, pivot, strict=True)]
    return [row[-1] for row in rows]


def _minimum_phase(first: float, second: float) -> tuple[float, float, float]:
    """c0, c1, c2 of c0 + c1/z + c2/z² whose squared magnitude is 1 + first x + second x², x = sin²(w/2)."""
    root_nyquist = (1.0 + first + second) ** 0.5
    mean = (1.0 + root_nyquist) / 2.0
    c0 = (mean + (mean * mean - second / 4.0) ** 0.5) / 2.0
    return c0, (1.0 - root_nyquist) / 2.0, second / (16.0 * c0)


def _normalised(sos: Floats, rate_hz: float) -> Floats:
    sos[0, :3] /= power_gain(sos, _REFERENCE_HZ, rate_hz) ** 0.5
    return sos


def _c(rate_hz: float) -> Floats:
    sections = [
        _real_highpass(low_hz=_C_LOW_HZ, high_hz=_C_LOW_HZ, rate_hz=rate_hz),
        _double_lowpass(_C_HIGH_HZ, rate_hz),
    ]
    return _normalised(np.vstack(sections), rate_hz)


@lru_cache
def a_after_c(rate_hz: float) -> Floats:
    """The section, (1, 6), that turns a C-weighted signal into an A-weighted one."""
    return _normalised(_real_highpass(low_hz=_A_LOW_HZ, high_hz=_A_MIDDLE_HZ, rate_hz=rate_hz), rate_hz)


def _k_section(pole_hz: float, table: tuple[float, ...], rate_hz: float) -> Floats:
    """A section of the table for another rate: the same analogue filter, with its poles at their frequencies."""
    if rate_hz == _K_TABLE_HZ:
        b0, b1, b2, a1, a2 = table
        return np.array([b0, b1, b2, 1.0, a1, a2])
    stretch = exact.tan_turns(pole_hz / rate_hz / 2) / exact.tan_turns(pole_hz / _K_TABLE_HZ / 2)

    def carried(c0: float, c1: float, c2: float) -> Floats:
        low, middle, high = (c0 + c1 + c2) * stretch * stretch, 2.0 * (c0 - c2) * stretch, c0 - c1 + c2
        return np.array([low + middle + high, 2.0 * (low - high), low - middle + high])

    b, a = carried(*table[:3]), carried(1.0, *table[3:])
    return np.concatenate([b / a[0], a / a[0]])


def _k(rate_hz: float) -> Floats:
    return np.array([_k_section(pole_hz, table, rate_hz) for pole_hz, table in _K_TABLES])


_G_REFERENCE_HZ = 10.0
_G_POLES_HZ = ((-0.707, 0.707), (-19.27, 5.16), (-14.11, 14.11), (-5.16, 19.27))
"""ISO 7196:1995, Table 1: one of each pair of poles, in Hz; four zeros are at 0."""


def _g(rate_hz: float) -> Floats:
    """Each pair of poles by the bilinear transform at its own frequency; four zeros at 0, four at half the rate."""
    rows = []
    for index, (real_hz, imaginary_hz) in enumerate(_G_POLES_HZ):
        pole_hz = (real_hz * real_hz + imaginary_hz * imaginary_hz) ** 0.5
        w, damping = exact.tan_turns(pole_hz / rate_hz / 2), -2.0 * real_hz / pole_hz
        a = np.array([1.0 + damping * w + w * w, 2.0 * (w * w - 1.0), 1.0 - damping * w + w * w])
        b = np.array([1.0, -2.0, 1.0]) if index < 2 else np.array([1.0, 2.0, 1.0])
        rows.append(np.concatenate([b, a]) / a[0])
    sos = np.array(rows)
    sos[0, :3] /= power_gain(sos, _G_REFERENCE_HZ, rate_hz) ** 0.5
    return sos


_DESIGNS: Mapping[Weighting, Callable[[float], Floats]] = {
    Weighting.A: lambda rate_hz: np.vstack([_c(rate_hz), a_after_c(rate_hz)]),
    Weighting.C: _c,
    Weighting.G: _g,
    Weighting.K: _k,
    Weighting.WD: lambda rate_hz: body_sections("Wd", rate_hz),
    Weighting.WK: lambda rate_hz: body_sections("Wk", rate_hz),
    Weighting.Z: lambda _: np.array([[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]]),
}


@lru_cache
def sections(weighting: Weighting, rate_hz: float) -> Floats:
    """The sections of a weighting for a rate, (sections, 6), as b0 b1 b2 1 a1 a2.

    K at 48 kHz has exactly the values that BS.1770 prints.
    """
    return _DESIGNS[weighting](float(rate_hz))
