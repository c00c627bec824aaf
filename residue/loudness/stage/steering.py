"""Finds the greatest gain at which the sound stays within every bound.

The sound is `fixed + gain * moving`, also after filters, because they are linear. So the power of a grain is a
polynomial in the gain. A cap counts a norm of the sound, and a norm is convex: between a gain within the bound and a
gain beyond it, the norm is not above the straight line between the two.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import inf, isfinite, sqrt

import numpy as np
from numpy.typing import NDArray

from residue.loudness.caps.listeners import GRAIN_FRAMES, Heard, Listener, Underway
from residue.loudness.meters.hops import Weighted
from residue.loudness.meters.true_peak import REACH
from residue.loudness.meters.weightings import Weighting

Floats = NDArray[np.float64]

_MOST_STEPS = 12
_NEAR_ENOUGH = 0.9995
_REST_SHARE = 0.05
"""Where little room is left at a gain of 0, so much of that room, or of the gain, may stay unused: half a decibel."""
_LOWER = 1.0 - 1e-9
_CAUTION = (0.998, 0.995, 0.98, 0.8, 0.5, 0.1)
"""Each estimate of a gain in few steps is lowered by so much, as it may be beyond the bound again."""
_NEAR_IN_FEW_STEPS = 0.99


@dataclass(frozen=True, slots=True)
class Parts:
    """A hop as fixed + gain * moving, under each weighting."""

    fixed: Weighted
    moving: Weighted


class MovingHop:
    """The levels of a hop at the ears, for any gain."""

    def __init__(self, listen: Listener, parts: Parts, *, peaks: bool, after: MovingHop | None = None) -> None:
        """peaks: whether they are needed too. after: the hop before; without it, that hop has been sent already."""
        self._listen, self._parts, self._peaks = listen, parts, peaks
        self._after = None if after is None else after._parts
        self._polynomials = [
            _polynomial(parts.fixed[weighting], parts.moving[weighting], power) for weighting, power in listen.strengths
        ]

    def __call__(self, gain: float, before: Underway) -> Heard:
        """The levels at a gain. before: the state before the hop, at the same gain."""
        grains = np.array([_at(polynomial, gain) for polynomial in self._polynomials])
        return self._listen.at_most(grains, self._highest(gain, before), before.tail, before)

    def _highest(self, gain: float, before: Underway) -> Floats:
        if not self._peaks:
            return np.zeros((2, len(before.needle)))
        mixed = self._mixed(self._parts, gain)
        tail = before.tail if self._after is None else self._mixed(self._after, gain)[:, -REACH:]
        return self._listen.peaks(tail, mixed, before)

    @staticmethod
    def _mixed(parts: Parts, gain: float) -> Floats:
        return parts.fixed[Weighting.C] + gain * parts.moving[Weighting.C]


def _polynomial(fixed: Floats, moving: Floats, power: int) -> Floats:
    """(power + 1, outputs, grains): the power of each grain, as coefficients of the powers of the gain."""
    c, b, a = fixed * fixed, 2.0 * fixed * moving, moving * moving
    terms = (c, b, a) if power == 2 else (c * c, 2.0 * c * b, b * b + 2.0 * c * a, 2.0 * a * b, a * a)
    return np.array([np.add.reduce(term.reshape(len(term), -1, GRAIN_FRAMES), axis=2) for term in terms])


def _at(polynomial: Floats, gain: float) -> Floats:
    value: Floats = polynomial[-1]
    for coefficient in polynomial[-2::-1]:
        value = value * gain + coefficient
    return np.maximum(0.0, value)


def greatest_gain(used: Callable[[float], float], above: float = 1.0) -> float:
    """The greatest gain up to `above` at which a convex function is at most 1; rounded down, and 0 if there is none."""
    most = used(above)
    if most <= 1.0:
        return above
    gain, within = 0.0, used(0.0)
    if within > 1.0:
        return 0.0
    near_enough = max(_NEAR_ENOUGH, 1.0 - _REST_SHARE * (1.0 - within))
    for _ in range(_MOST_STEPS):
        chord = gain + (above - gain) * (1.0 - within) / (most - within)
        if (found := used(chord)) > 1.0:
            # Because of rounding, as of a straight line the first chord leads to its very end; or of a peak that is not
            # looked for between the samples at a lower gain.
            above, most, chord = chord, found, gain + (chord - gain) * _LOWER
            found = used(chord)
        if found <= 1.0:
            gain, within = chord, found
            if within > near_enough:
                break
        middle = (gain + above) / 2.0
        if (found := used(middle)) <= 1.0:
            gain, within = middle, found
        else:
            above, most = middle, found
        if near_enough > _NEAR_ENOUGH and above - gain <= _REST_SHARE * gain:
            break
    return gain


def gain_in_few_steps(used: Callable[[float], float], above: float = 1.0) -> float:
    """A gain up to `above` at which a convex function is at most 1, found in eight looks at most; 0 if none is found.

    It is at most a tenth of a decibel below the greatest, but where the function bends much. Each estimate takes the
    sound for one part that has a fixed power and one that moves, and is never beyond the secant of the last two gains:
    outside of two points a convex function is nowhere below it.
    """
    gain, most = above, used(above)
    if most <= 1.0:
        return above
    before = (inf, inf)
    for caution in _CAUTION:
        lower = _estimate((gain, most), before) * caution
        if (within := used(lower)) > 1.0:
            before, gain, most = (gain, most), lower, within
            continue
        chord = lower + (gain - lower) * (1.0 - within) / (most - within) * _LOWER
        return chord if within < _NEAR_IN_FEW_STEPS and used(chord) <= 1.0 else lower
    return 0.0


def _estimate(over: tuple[float, float], before: tuple[float, float]) -> float:
    """Where a function is about 1 that is above it at two gains, before at the higher one; each with what is used."""
    (gain, most), (higher, more) = over, before
    if not isfinite(most):
        return gain / 4.0
    alone = gain / most
    if not isfinite(more) or more <= most:
        return alone
    moving = (more * more - most * most) / (higher * higher - gain * gain)
    fixed = most * most - moving * gain * gain
    secant = gain - (most - 1.0) * (higher - gain) / (more - most)
    estimate = sqrt((1.0 - fixed) / moving) if 0.0 <= fixed < 1.0 else alone
    return min(estimate, secant) if secant > 0.0 else estimate
