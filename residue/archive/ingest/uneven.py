"""Rows that came unevenly, put on an even grid by straight lines from row to row."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from residue.archive.ingest.columns import Column, mean_rate_hz, pieces, suggested_hz
from residue.archive.performance import LONGEST_S
from residue.dsp.resampling import Floats
from residue.problems import stopping

_MISSED_INTERVALS = 5.0
"""Where two rows lie further apart than so many usual intervals, a gap stays: our choice."""
_FINEST = 10**6
_LEAST_SHARE = 0.5
"""A grid slower than this share of the rows' mean rate would fold fast movement into slow, and drop rows."""


@dataclass(frozen=True)
class Interpolated:
    """A column on an even grid from its first row on; NaN beside rows without a number, and where rows are missing."""

    column: Column
    times_s: Column
    """The time of each row, ascending."""
    rate_hz: Fraction
    length: int
    gap_s: float
    """Where two rows lie further apart than this, a gap stays."""

    def read(self, start: int, stop: int) -> Floats:
        """Samples start, …, stop - 1."""
        if stop <= start:
            return np.empty(0)
        begun_s = float(self.times_s.read(0, 1)[0])
        grid_s = begun_s + np.arange(start, stop) * self.rate_hz.denominator / self.rate_hz.numerator
        first = max(self._row(float(grid_s[0])) - 1, 0)
        last = min(self._row(float(grid_s[-1])) + 1, self.column.length)
        times_s, values = self.times_s.read(first, last), self.column.read(first, last)
        after = np.clip(np.searchsorted(times_s, grid_s, side="left"), 1, max(len(times_s) - 1, 1))
        missing = times_s[after] - times_s[after - 1] > self.gap_s if len(times_s) > 1 else np.zeros(len(grid_s), bool)
        on_row = np.isin(grid_s, times_s)
        found = np.interp(grid_s, times_s, values)
        found[missing & ~on_row] = np.nan
        return found

    def _row(self, moment_s: float) -> int:
        """The first row at a moment or after it."""
        rows = range(self.times_s.length)
        return bisect_left(rows, moment_s, key=lambda row: float(self.times_s.read(row, row + 1)[0]))


@dataclass(frozen=True)
class EvenGrid:
    """An even grid over rows with times, and how rows come onto it."""

    rate_hz: Fraction
    length: int
    gap_s: float

    def stream(self, column: Column, times_s: Column) -> Interpolated:
        """The column on the grid."""
        return Interpolated(column, times_s, self.rate_hz, self.length, self.gap_s)

    def __str__(self) -> str:
        """The method in words."""
        rate = f"{float(self.rate_hz):g} Hz"
        return (
            f"its rows came unevenly; they were put on an even grid of {rate} by straight lines from row to row, and a "
            f"gap stays where rows lie more than {self.gap_s:.3g} s apart"
        )


def even_grid(where: str, times_s: Column, resample_hz: float) -> EvenGrid:
    """The grid of a stated rate for rows with these times. Raises ProblemError where it would drop much of them."""
    if times_s.length < 2:
        raise stopping(where, "One row is too few to tell when rows came.", "State rate_hz.")
    first_s, last_s = (float(times_s.read(row, row + 1)[0]) for row in (0, times_s.length - 1))
    if last_s - first_s > LONGEST_S:
        raise stopping(where, "Its times span more than a week.", "Check time_unit.")
    mean_hz = mean_rate_hz(times_s)
    if resample_hz < _LEAST_SHARE * mean_hz:
        what = f"Its rows came {mean_hz:.4g} times a second: a grid of {resample_hz:g} Hz would fold fast into slow."
        raise stopping(where, what, f"Write resample_hz = {suggested_hz(mean_hz):g} or more.")
    rate_hz = Fraction(resample_hz).limit_denominator(_FINEST)
    usual_s = float(np.median(np.diff(next(pieces(times_s))[1])))
    length = int((last_s - first_s) * rate_hz + Fraction(1, 10**6)) + 1
    return EvenGrid(rate_hz, length, _MISSED_INTERVALS * max(usual_s, float(1 / rate_hz)))
