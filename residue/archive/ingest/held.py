"""Samples that are held in memory, and samples that came with a time each."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from residue.archive.performance import LONGEST_S
from residue.dsp.resampling import Samples
from residue.problems import stopping

_FINEST = 10**6
"""The largest denominator of a rate found from times."""
_LARGEST_JITTER = 0.5
"""A row may come so many intervals early or late; from there on one is missing, or the rate is not steady."""


@dataclass(frozen=True)
class HeldStream:
    """A stream whose samples are in memory."""

    values: Samples
    rate_hz: Fraction

    @property
    def length(self) -> int:
        """In samples."""
        return len(self.values)

    def read(self, start: int, stop: int) -> Samples:
        """Samples start, …, stop - 1."""
        return self.values[start:stop]


def on_a_grid(
    where: str, times_s: NDArray[np.float64], values: NDArray[np.float64]
) -> tuple[Fraction, NDArray[np.float64]]:
    """Samples with a time each as evenly spaced ones: the rate, and (samples, columns) with NaN where none came.

    times_s: (rows,), rising; values: (rows, columns). The rate is that of the median interval, refined by a straight
    line through all the times, so that small jitter averages out. Raises ProblemError where no steady rate is found.
    """
    if len(times_s) < 2:
        raise stopping(where, "One row is too few to tell the rate.", "State rate_hz.")
    interval_s = float(np.median(np.diff(times_s)))
    steps = np.concatenate(([0], np.cumsum(np.maximum(np.rint(np.diff(times_s) / interval_s), 1))))
    slope, origin = np.polyfit(steps, times_s, 1) if steps[-1] > 0 else (interval_s, times_s[0])
    rate_hz = Fraction(1 / float(slope)).limit_denominator(_FINEST)
    places = np.rint((times_s - origin) / slope).astype(np.int64)
    places -= places[0]
    uneven = np.abs(times_s - (times_s[0] + places * slope)).max() > 2 * _LARGEST_JITTER * slope
    if uneven or np.any(np.diff(places) < 1):
        raise stopping(where, "Its rows did not come at a steady rate.", "Export it at a fixed rate, or state rate_hz.")
    if places[-1] > LONGEST_S * rate_hz:
        raise stopping(where, "Its times span more than a week.", "Check time_unit.")
    gridded = np.full((int(places[-1]) + 1, values.shape[1]), np.nan)
    gridded[places] = values
    return rate_hz, gridded
