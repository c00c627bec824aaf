"""Caps that hold at every moment, not over a window."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.loudness.caps import Cap
from residue.loudness.hops import HOP_FRAMES, HOP_S
from residue.loudness.levels import db_of_power
from residue.loudness.quantities import Statistic
from residue.loudness.time_weighting import TIME_CONSTANT_S

Floats = NDArray[np.float64]

FAST_S = TIME_CONSTANT_S["F"]
_FAST_SHARE = (1.0 - exact.exp(-HOP_S / FAST_S)) * FAST_S / HOP_S
"""If no hop has more than this share of the energy of a hop at the limit, the level with time weighting F never passes
the limit, wherever in the hops the energy lies: the sum of what is left of all hops before is a geometric series."""


@dataclass(frozen=True, slots=True)
class InstantCap:
    """A cap on a peak, or on the maximum with time weighting F."""

    cap: Cap
    ear: int
    """Index of the ear that it listens to."""
    bound: float
    """The magnitude of a sample, or the energy of a hop, that it allows."""

    @property
    def of_peak(self) -> bool:
        """Whether the peak of a hop counts, else its energy."""
        return self.cap.quantity.statistic is Statistic.PEAK

    def used(self, energy: Floats, peak: Floats) -> float:
        """The share of the allowed power that a hop takes; energy, peak: (ears,)."""
        if self.of_peak:
            ratio = float(peak[self.ear]) / self.bound
            return ratio * ratio
        return float(energy[self.ear]) / self.bound

    def level(self, energy: Floats, peak: Floats) -> float:
        """What a hop reaches at most, in the unit of the cap."""
        return self.cap.limit + db_of_power(self.used(energy, peak))


def instant_cap(cap: Cap, ear: int) -> InstantCap:
    """The terms of a cap that holds at every moment."""
    if cap.quantity.statistic is Statistic.PEAK:
        return InstantCap(cap, ear, exact.gain_from_db(cap.limit))
    return InstantCap(cap, ear, exact.power(10.0, cap.limit / 10.0) * HOP_FRAMES * _FAST_SHARE)
