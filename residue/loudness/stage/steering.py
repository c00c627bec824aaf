"""How great a gain may be so that what is sent stays within a bound.

What is sent is `fixed + gain * moving`, filters included, because they are linear: so an energy is a quadratic in
the gain, and a sample a straight line.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from residue.loudness.caps.ears import Ear
from residue.loudness.caps.listeners import coherent

Floats = NDArray[np.float64]

_HALVINGS = 40
"""To a millionth of a millionth."""


def _quadratic(fixed: Floats, moving: Floats) -> Floats:
    """(3,): c, b, a of the energy c + b gain + a gain² of fixed + gain moving."""
    return np.array([np.add.reduce(fixed * fixed), 2.0 * np.add.reduce(fixed * moving), np.add.reduce(moving * moving)])


def energy_quadratics(ear: Ear, fixed: Floats, moving: Floats) -> list[Floats]:
    """The energies at an ear of which the larger counts: of the sum of all outputs, and the sum of their energies.

    fixed, moving: (outputs, frames), weighted.
    """
    alone = [gain * gain * _quadratic(f, m) for gain, f, m in zip(ear.gains, fixed, moving, strict=True) if gain]
    together: Floats = np.add.reduce(
        [np.zeros(3), *alone]
    )  # nothing of an output that the piece does not sound through
    return [together] if ear.only is not None else [together, _quadratic(coherent(ear, fixed), coherent(ear, moving))]


def dose_quartics(ear: Ear, fixed: Floats, moving: Floats) -> list[Floats]:
    """(5,) each: the fourth powers of which the larger counts, as coefficients of 1, gain, gain² and so on.

    At every frame the square that arrives is c + b gain + a gain².
    """
    gains = np.array(ear.gains)[:, np.newaxis]
    arriving = [(gains * fixed, gains * moving)]
    if ear.only is None:
        arriving.append((coherent(ear, fixed)[np.newaxis], coherent(ear, moving)[np.newaxis]))
    quartics = []
    for f, m in arriving:
        c, b, a = (np.add.reduce(part) for part in (f * f, 2.0 * f * m, m * m))
        terms = (c * c, 2.0 * c * b, b * b + 2.0 * c * a, 2.0 * a * b, a * a)
        quartics.append(np.array([np.add.reduce(term) for term in terms]))
    return quartics


def polynomials(ear: Ear, fixed: Floats, moving: Floats) -> list[Floats]:
    """The energy at an ear as polynomials of the gain: the larger counts. All are convex and nowhere below 0."""
    return (energy_quadratics if ear.power == 2 else dose_quartics)(ear, fixed, moving)


def greatest_gain(polynomial: Floats, bound: float) -> float:
    """The greatest gain at which a polynomial of `polynomials` stays within a bound; below 0 if there is none.

    For a fourth power it is looked for up to 1, and found by halving: on the safe side.
    """
    if len(polynomial) == 3:
        return greatest_gain_of_energy(polynomial, bound)
    if _at(polynomial, 1.0) <= bound:
        return float("inf")
    if float(polynomial[0]) > bound:
        return -1.0
    low, high = 0.0, 1.0
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        low, high = (middle, high) if _at(polynomial, middle) <= bound else (low, middle)
    return low


def _at(polynomial: Floats, gain: float) -> float:
    value = 0.0
    for coefficient in polynomial[::-1]:
        value = value * gain + float(coefficient)
    return value


def greatest_gain_of_energy(quadratic: Floats, bound: float) -> float:
    """The greatest gain at which c + b gain + a gain² <= bound; below 0 if there is none, inf if all are."""
    c, b, a = (float(value) for value in quadratic)
    c -= bound
    if a <= 0.0:
        return float("inf") if c <= 0.0 else -1.0
    discriminant = b * b - 4.0 * a * c
    if discriminant < 0.0:
        return -1.0
    root = float(np.sqrt(discriminant))
    return (root - b) / (2.0 * a) if b <= 0.0 else -2.0 * c / (b + root)


def greatest_gain_of_peak(fixed: Floats, moving: Floats, bound: float) -> float:
    """The greatest gain at which |fixed + gain moving| <= bound at every frame; below 0 if there is none.

    fixed, moving: (frames,)
    """
    if np.max(np.abs(fixed), initial=0.0) > bound:
        return -1.0
    moves = moving != 0.0
    speed = np.abs(moving[moves])
    room = bound - np.sign(moving[moves]) * fixed[moves]
    return float(np.min(room / speed, initial=float("inf")))


def arrivals(ear: Ear, signals: Floats) -> Sequence[Floats]:
    """The signals whose peaks count at an ear: each output alone, and all together."""
    alone = [gain * signal for gain, signal in zip(ear.gains, signals, strict=True) if gain]
    return alone if ear.only is not None else [*alone, coherent(ear, signals)]
