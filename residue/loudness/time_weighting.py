"""Levels with the time weightings F and S of IEC 61672-1: the needle of a sound level meter."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from residue.dsp.filters import SosFilter, smoother
from residue.loudness.levels import db_of_power

Floats = NDArray[np.float64]

TIME_CONSTANT_S: Mapping[str, float] = {"F": 0.125, "S": 1.0}
"""IEC 61672-1:2013, 5.8."""


class TimeWeightedMeter:
    """The highest level of a frequency-weighted signal under a time weighting, block by block."""

    def __init__(self, time_weighting: str, rate_hz: float) -> None:
        self._smooth = SosFilter(smoother(TIME_CONSTANT_S[time_weighting], rate_hz))
        self.power = 0.0
        """After the last frame, full scale = 1."""
        self._highest = 0.0

    def __call__(self, weighted: Floats) -> None:
        """Take in (frames,)."""
        smoothed = self._smooth(weighted * weighted)
        if len(smoothed):
            self.power = float(smoothed[-1])
            self._highest = max(self._highest, float(np.max(smoothed)))

    @property
    def maximum_db(self) -> float:
        """The highest level so far; -inf for silence."""
        return db_of_power(self._highest)


def exposure_level_db(weighted: Floats, rate_hz: float) -> float:
    """The sound exposure level LAE (by the weighting): all energy as if within one second. weighted: (frames,)."""
    return db_of_power(float(np.add.reduce(weighted * weighted)) / rate_hz)
