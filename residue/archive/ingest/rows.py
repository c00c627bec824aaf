"""How rows of numbers come onto evenly spaced places: by a rate, by a column of times, or by straight lines."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction

from residue.archive.ingest.columns import Column, EvenStream, GriddedStream, find_grid
from residue.archive.ingest.times import Times
from residue.archive.ingest.uneven import even_grid
from residue.dsp.resampling import SampleStream


@dataclass(frozen=True, kw_only=True)
class Rows:
    """Rows on evenly spaced places."""

    stream: Callable[[Column], SampleStream]
    """Makes a stream of a column of these rows."""
    at_s: Callable[[int], float]
    """The time of a row, in seconds from the first."""
    began: datetime | None = None
    """The time of the first row on a clock."""
    told: tuple[str, ...] = ()
    """How the rows were changed, in words."""
    rate_assumed: bool = False
    """Whether the rate follows from a unit that was guessed."""


def by_rate(rate_hz: float) -> Rows:
    """Rows that came at a stated rate."""
    exact_hz = Fraction(rate_hz).limit_denominator(10**6)
    return Rows(stream=lambda column: EvenStream(column, exact_hz), at_s=lambda row: float(row / exact_hz))


def by_times(where: str, times_s: Times, resample_hz: float | None) -> Rows:
    """Rows that came at the times of a column; without resample_hz at a steady rate. Raises ProblemError."""
    begun_s = float(times_s.read(0, 1)[0])

    def at_s(row: int) -> float:
        return float(times_s.read(row, row + 1)[0]) - begun_s

    if resample_hz is not None:
        even = even_grid(where, times_s, resample_hz)
        return Rows(
            stream=lambda column: even.stream(column, times_s),
            at_s=at_s,
            began=times_s.began,
            told=(str(even),),
            rate_assumed=times_s.assumed,
        )
    grid = find_grid(where, times_s)
    return Rows(
        stream=lambda column: GriddedStream(column, times_s, grid),
        at_s=at_s,
        began=times_s.began,
        rate_assumed=times_s.assumed,
    )
