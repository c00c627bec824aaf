"""Caps that hold at every moment, not over a window."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.loudness.caps.caps import Cap
from residue.loudness.caps.quantities import Statistic
from residue.loudness.meters.levels import db_of_power

Floats = NDArray[np.float64]


PEAK_MARGIN_DB = 0.1
"""A peak between the samples depends on the phase of the weighting as well, which near 20 kHz is not that of the
standard. The most found over a cap without this margin is 0.02 dB, of noise (tests/reference/test_any_place.py)."""


@dataclass(frozen=True, slots=True)
class InstantCap:
    """A cap that limits a peak, or the maximum with time weighting F."""

    cap: Cap
    ear: int
    """Index of its ear."""
    bound: float
    """The magnitude between the samples, or the power with time weighting F, that the cap allows."""

    @property
    def of_peak(self) -> bool:
        """Whether the peak of a hop counts; else its highest power with time weighting F counts."""
        return self.cap.quantity.statistic is Statistic.PEAK

    def used(self, peak: Floats, fast: Floats) -> float:
        """The share of the allowed power that a hop uses; peak, fast: (ears,), as of Heard."""
        return float(self.shares(peak, fast))

    def shares(self, peak: Floats, fast: Floats) -> Floats:
        """(…): the same for as many hops as there are; peak, fast: (ears, …)."""
        ratios: Floats = (peak if self.of_peak else fast)[self.ear] / self.bound
        return ratios * ratios if self.of_peak else ratios

    def level(self, peak: Floats, fast: Floats) -> float:
        """The highest level that a hop can reach, in the unit of the cap."""
        return self.level_of(self.used(peak, fast))

    def level_of(self, used: float) -> float:
        """The level at which a hop uses this share of the allowed power, in the unit of the cap."""
        return self.cap.limit - _margin_db(self.cap) + db_of_power(used)


def instant_cap(cap: Cap, ear: int) -> InstantCap:
    """A cap that holds at every moment, ready to be checked hop by hop."""
    decibels = 20.0 if cap.quantity.statistic is Statistic.PEAK else 10.0
    return InstantCap(cap, ear, exact.power(10.0, (cap.limit - _margin_db(cap)) / decibels))


def _margin_db(cap: Cap) -> float:
    return PEAK_MARGIN_DB if cap.quantity.statistic is Statistic.PEAK else 0.0
