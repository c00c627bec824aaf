"""How great a gain may be so that what is sent stays within a bound.

What is sent is `fixed + gain * moving`, filters included, because they are linear: so an energy is a quadratic in
the gain, and a sample a straight line.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from residue.loudness.ears import Ear
from residue.loudness.hops import coherent

Floats = NDArray[np.float64]


def _quadratic(fixed: Floats, moving: Floats) -> Floats:
    """(3,): c, b, a of the energy c + b gain + a gain² of fixed + gain moving."""
    return np.array([np.add.reduce(fixed * fixed), 2.0 * np.add.reduce(fixed * moving), np.add.reduce(moving * moving)])


def energy_quadratics(ear: Ear, fixed: Floats, moving: Floats) -> list[Floats]:
    """The energies at an ear of which the larger counts: of the sum of all outputs, and the sum of their energies.

    fixed, moving: (outputs, frames), weighted.
    """
    alone = [gain * gain * _quadratic(f, m) for gain, f, m in zip(ear.gains, fixed, moving, strict=True) if gain]
    together: Floats = np.add.reduce(alone)
    return [together] if ear.only is not None else [together, _quadratic(coherent(ear, fixed), coherent(ear, moving))]


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
    """What is looked at for the peak at an ear: each output alone, and all together."""
    alone = [gain * signal for gain, signal in zip(ear.gains, signals, strict=True) if gain]
    return alone if ear.only is not None else [*alone, coherent(ear, signals)]
