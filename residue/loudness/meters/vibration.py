"""Vibration of a floor or a seat, weighted for a body: weighted acceleration, A(8) and VDV.

It applies to outputs whose vibration was measured. Source of the quantities: ISO 2631-1:1997; of the weightings as
filters: ISO 8041-1:2017, Table 3; of the limits: Directive 2002/44/EC, Article 3.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import fsum, inf, pi

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.dsp.filters import SosFilter, smoother

Floats = NDArray[np.float64]

_BUTTERWORTH_Q = 0.7071067811865476


@dataclass(frozen=True, slots=True, kw_only=True)
class BodyWeighting:
    """The corner frequencies and quality factors of one weighting; an infinite corner leaves its stage out."""

    highpass_hz: float
    lowpass_hz: float
    transition_hz: float
    transition_pole_hz: float
    transition_q: float
    step_zero_hz: float
    step_zero_q: float
    step_pole_hz: float
    step_pole_q: float


BODY_WEIGHTINGS: Mapping[str, BodyWeighting] = {
    "Wk": BodyWeighting(
        highpass_hz=0.4,
        lowpass_hz=100.0,
        transition_hz=12.5,
        transition_pole_hz=12.5,
        transition_q=0.63,
        step_zero_hz=2.37,
        step_zero_q=0.91,
        step_pole_hz=3.35,
        step_pole_q=0.91,
    ),
    "Wd": BodyWeighting(
        highpass_hz=0.4,
        lowpass_hz=100.0,
        transition_hz=2.0,
        transition_pole_hz=2.0,
        transition_q=0.63,
        step_zero_hz=inf,
        step_zero_q=1.0,
        step_pole_hz=inf,
        step_pole_q=1.0,
    ),
}
"""ISO 8041-1:2017, Table 3: Wk for vertical, Wd for horizontal vibration."""


def _polynomial(corner_hz: float, q: float) -> tuple[float, float, float]:
    """1 + s / (q w) + (s / w)², as coefficients of 1, s, s²."""
    w = 2.0 * pi * corner_hz
    return 1.0, 1.0 / (q * w), 1.0 / (w * w)


def _digital(numerator: Sequence[float], denominator: Sequence[float], centre_hz: float, rate_hz: float) -> Floats:
    """One section by the bilinear transform, exact at centre_hz; coefficients of 1, s, s²."""
    c = 2.0 * pi * centre_hz / exact.tan_turns(centre_hz / rate_hz / 2.0)
    rows = [
        np.array([p0 + p1 * c + p2 * c * c, 2.0 * (p0 - p2 * c * c), p0 - p1 * c + p2 * c * c])
        for p0, p1, p2 in (numerator, denominator)
    ]
    section: Floats = np.concatenate(rows) / rows[1][0]
    return section


def body_sections(name: str, rate_hz: float) -> Floats:
    """The sections, (sections, 6), of a body weighting, for a rate well above 1 kHz."""
    weighting = BODY_WEIGHTINGS[name]
    low, high = (_polynomial(hz, _BUTTERWORTH_Q) for hz in (weighting.highpass_hz, weighting.lowpass_hz))
    transition = (1.0, 1.0 / (2.0 * pi * weighting.transition_hz), 0.0)
    pole = _polynomial(weighting.transition_pole_hz, weighting.transition_q)
    stages = [
        ((0.0, 0.0, low[2]), low, weighting.highpass_hz),
        ((1.0, 0.0, 0.0), high, weighting.lowpass_hz),
        (transition, pole, weighting.transition_pole_hz),
    ]
    if weighting.step_pole_hz < inf:
        step = _polynomial(weighting.step_zero_hz, weighting.step_zero_q)
        ratio = (weighting.step_zero_hz / weighting.step_pole_hz) ** 2
        scaled = (step[0] * ratio, step[1] * ratio, step[2] * ratio)
        stages.append((scaled, _polynomial(weighting.step_pole_hz, weighting.step_pole_q), weighting.step_pole_hz))
    return np.array([_digital(*stage, rate_hz) for stage in stages])


@dataclass(frozen=True, slots=True, kw_only=True)
class Vibration:
    """The vibration that a body received."""

    rms: float
    """Weighted root mean square, m/s²."""
    vdv: float
    """Vibration dose value, m/s^1.75: ISO 2631-1, 6.3.2."""
    mtvv: float
    """The highest running r.m.s. over 1 s (exponential), m/s²: ISO 2631-1, 6.3.1."""


def vibration(acceleration: Floats, weighting: str, rate_hz: float) -> Vibration:
    """The vibration of an acceleration, (frames,), in m/s². Raises KeyError for an unknown weighting."""
    weighted = SosFilter(body_sections(weighting, rate_hz))(acceleration)
    power = weighted * weighted
    running = SosFilter(smoother(1.0, rate_hz))(power)
    return Vibration(
        rms=float(np.sqrt(np.mean(power))),
        vdv=float((np.add.reduce(power * power) / rate_hz) ** 0.25),
        mtvv=float(np.sqrt(np.max(running))),
    )


def daily_vibration(stays: Sequence[tuple[float, float]]) -> float:
    """A(8) in m/s², for stays of (weighted r.m.s. in m/s², hours): Directive 2002/44/EC, Annex, Part B."""
    return float((fsum(rms * rms * hours for rms, hours in stays) / 8.0) ** 0.5)


def combined_vdv(doses: Sequence[float]) -> float:
    """The vibration dose value of several exposures, one after the other."""
    return float(fsum(dose**4 for dose in doses) ** 0.25)


def estimated_vdv(rms: float, duration_s: float) -> float:
    """The vibration dose value of a steady vibration without high crests: ISO 2631-1, Annex B."""
    return float(1.4 * rms * duration_s**0.25)
