"""Levels with the time weightings F and S of IEC 61672-1: the needle of a sound level meter."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from residue.dsp.filters import SosFilter, smoother
from residue.dsp.kernel import power_sums

Floats = NDArray[np.float64]

TIME_CONSTANT_S: Mapping[str, float] = {"F": 0.125, "S": 1.0}
"""IEC 61672-1:2013, 5.8."""
GRAIN_FRAMES = 48
"""Powers are averaged over 1 ms at 48 kHz before they are smoothed: this costs 0.02 dB of accuracy under F, and saves
98 % of the work.
"""
GRAIN_RATE_HZ = 1000


def grain_powers(weighted: Floats, grain_frames: int = GRAIN_FRAMES) -> Floats:
    """The mean square of each grain, (…, frames / grain_frames), of signals (…, frames) of whole grains."""
    return power_sums(weighted, grain_frames) / grain_frames


class TimeWeightedMeter:
    """Levels of some frequency-weighted signals under a time weighting, block by block."""

    def __init__(self, time_weighting: str, signals: int = 1, grain_rate_hz: float = GRAIN_RATE_HZ) -> None:
        self._smooth = SosFilter(smoother(TIME_CONSTANT_S[time_weighting], grain_rate_hz), signals)
        self.power = np.zeros(signals)
        """The power after the last grain, (signals,), full scale = 1."""
        self.highest = np.zeros(signals)
        """The highest power of the last block, (signals,)."""

    def __call__(self, powers: Floats) -> None:
        """Takes the powers of some grains, (signals, grains), at least one."""
        smoothed = np.maximum(self._smooth(powers), 0.0)
        self.power, self.highest = smoothed[:, -1], np.max(smoothed, axis=1)
