"""Columns of numbers, and evenly spaced streams made from them: in the order of rows, or by a column of times."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from residue.archive.performance import LONGEST_S
from residue.dsp.resampling import Floats
from residue.problems import stopping

_FINEST = 10**6
"""The largest denominator of a rate found from times."""
_LARGEST_JITTER = 0.5
"""A row may be early or late by so many intervals; beyond that a row is missing, or the rate is not steady."""
_PIECE_ROWS = 1 << 16
"""Rows that are processed together, so that memory does not grow with the recording."""


class Column(Protocol):
    """The numbers of one column, row by row, NaN where nothing was measured."""

    @property
    def length(self) -> int:
        """The length in rows."""

    def read(self, start: int, stop: int) -> Floats:
        """Rows start, …, stop - 1, where 0 <= start <= stop <= length."""


@dataclass(frozen=True)
class HeldColumn:
    """A column in memory, in its original type of number."""

    values: NDArray[Any]

    @property
    def length(self) -> int:
        """The length in rows."""
        return len(self.values)

    def read(self, start: int, stop: int) -> Floats:
        """Rows start, …, stop - 1."""
        return self.values[start:stop].astype(np.float64)


@dataclass(frozen=True)
class EvenStream:
    """A column whose rows have a known rate."""

    column: Column
    rate_hz: Fraction

    @property
    def length(self) -> int:
        """The length in samples."""
        return self.column.length

    def read(self, start: int, stop: int) -> Floats:
        """Samples start, …, stop - 1."""
        return self.column.read(start, stop)


@dataclass(frozen=True)
class Grid:
    """Evenly spaced places for rows with times; the first row has the place 0."""

    length: int
    interval_s: float
    origin_s: float
    """The time of the first place."""

    @property
    def rate_hz(self) -> Fraction:
        """The rate of the grid, in samples a second."""
        return Fraction(1 / self.interval_s).limit_denominator(_FINEST)

    def places(self, times_s: Floats) -> NDArray[np.int64]:
        """The grid positions of rows with these times."""
        return np.rint((times_s - self.origin_s) / self.interval_s).astype(np.int64)


@dataclass(frozen=True)
class GriddedStream:
    """A column whose rows have a time each; NaN at places without a row."""

    column: Column
    times_s: Column
    grid: Grid

    @property
    def rate_hz(self) -> Fraction:
        """The rate of the grid, in Hz."""
        return self.grid.rate_hz

    @property
    def length(self) -> int:
        """The length in samples."""
        return self.grid.length

    def read(self, start: int, stop: int) -> Floats:
        """Samples start, …, stop - 1."""
        first, last = self._row(start), self._row(stop)
        values = np.full(stop - start, np.nan)
        values[self.grid.places(self.times_s.read(first, last)) - start] = self.column.read(first, last)
        return values

    def _row(self, place: int) -> int:
        """The first row at a position or after it."""
        rows = range(self.times_s.length)
        return bisect_left(rows, place, key=lambda row: int(self.grid.places(self.times_s.read(row, row + 1))[0]))


def find_grid(where: str, times_s: Column) -> Grid:
    """The grid of rows with these times. Raises ProblemError where no steady rate is found. times_s: ascending.

    The interval is the median one at the beginning, refined by a straight line through all the times, so that small
    jitter averages out.
    """
    if times_s.length < 2:
        raise stopping(where, "One row is too few to tell the rate.", "State rate_hz.")
    begun_s = float(times_s.read(0, 1)[0])
    interval_s, origin_s = _line(times_s, begun_s)
    grid = Grid(0, interval_s, origin_s)
    first = int(grid.places(times_s.read(0, 1))[0])
    grid = Grid(0, interval_s, origin_s + first * interval_s)
    last = -1
    for _, times in pieces(times_s):
        places = grid.places(times)
        uneven = np.abs(times - (begun_s + places * interval_s)).max() > 2 * _LARGEST_JITTER * interval_s
        if uneven or np.any(np.diff(places, prepend=last) < 1):
            rate = f"{suggested_hz(mean_rate_hz(times_s)):g}"
            mend = f"Write resample_hz = {rate} beside time, which draws straight lines from row to row."
            raise stopping(where, "Its rows did not come at a steady rate.", mend)
        last = int(places[-1])
    if last > LONGEST_S / interval_s:
        raise stopping(where, "Its times span more than a week.", "Check time_unit.")
    return Grid(last + 1, grid.interval_s, grid.origin_s)


def mean_rate_hz(times_s: Column) -> float:
    """Rows a second, over all of them. times_s: ascending, two or more; one alone counts as one a second."""
    first_s, last_s = (float(times_s.read(row, row + 1)[0]) for row in (0, times_s.length - 1))
    return (times_s.length - 1) / (last_s - first_s) if times_s.length > 1 else 1.0


def suggested_hz(mean_hz: float) -> float:
    """A rate for an even grid that keeps about as many samples as there are rows."""
    return float(math.ceil(mean_hz - 1e-6)) if mean_hz >= 1 else float(f"{mean_hz:.1g}")


def pieces(column: Column) -> Iterator[tuple[int, Floats]]:
    """The column piece by piece, each with the row that it begins with."""
    for start in range(0, column.length, _PIECE_ROWS):
        yield start, column.read(start, min(start + _PIECE_ROWS, column.length))


def _line(times_s: Column, begun_s: float) -> tuple[float, float]:
    """Interval and origin of the straight line, by least squares, through the times over the steps so far."""
    usual_s = float(np.median(np.diff(times_s.read(0, min(times_s.length, _PIECE_ROWS)))))

    def counted() -> Iterator[tuple[Floats, Floats]]:
        step, before_s = 0.0, begun_s
        for start, times in pieces(times_s):
            apart = np.diff(times, prepend=before_s)
            ahead = np.maximum(np.rint(apart / usual_s), 1.0)
            if start == 0:
                ahead[0] = 0.0
            steps = step + np.cumsum(ahead)
            step, before_s = float(steps[-1]), float(times[-1])
            yield steps, times - begun_s

    rows = times_s.length
    mean_step = sum(float(steps.sum()) for steps, _ in counted()) / rows
    mean_s = sum(float(times.sum()) for _, times in counted()) / rows
    square = product = 0.0
    for steps, times in counted():
        square += float(((steps - mean_step) ** 2).sum())
        product += float(((steps - mean_step) * (times - mean_s)).sum())
    interval_s = product / square
    return interval_s, begun_s + mean_s - interval_s * mean_step
