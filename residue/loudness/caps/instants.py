"""Caps that hold at every moment, not over a window."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.loudness.caps.caps import Cap
from residue.loudness.caps.quantities import Statistic
from residue.loudness.meters.hops import HOP_FRAMES, HOP_S
from residue.loudness.meters.levels import db_of_power
from residue.loudness.meters.time_weighting import TIME_CONSTANT_S

Floats = NDArray[np.float64]

FAST_S = TIME_CONSTANT_S["F"]
_FAST_SHARE = FAST_S / HOP_S / (1.0 + 1.0 / (1.0 - exact.exp(-HOP_S / FAST_S)))
"""If no hop has more than this share of the energy of a hop at the limit, the level with time weighting F never passes
the limit, wherever in the hops the energy lies: at its worst all of a hop before lies at its end, so that what is left
of them is a geometric series, and all of the hop itself comes at its beginning. A steady sound stays 3.5 dB below."""


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
        return float(self.shares(energy, peak))

    def shares(self, energy: Floats, peak: Floats) -> Floats:
        """(…): the same for as many hops as there are; energy, peak: (ears, …)."""
        ratios: Floats = (peak if self.of_peak else energy)[self.ear] / self.bound
        return ratios * ratios if self.of_peak else ratios

    def level(self, energy: Floats, peak: Floats) -> float:
        """The highest level that a hop can reach, in the unit of the cap."""
        return self.cap.limit + db_of_power(self.used(energy, peak))


def instant_cap(cap: Cap, ear: int) -> InstantCap:
    """The terms of a cap that holds at every moment."""
    if cap.quantity.statistic is Statistic.PEAK:
        return InstantCap(cap, ear, exact.gain_from_db(cap.limit))
    return InstantCap(cap, ear, exact.power(10.0, cap.limit / 10.0) * HOP_FRAMES * _FAST_SHARE)
