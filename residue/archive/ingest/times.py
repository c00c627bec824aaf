"""The times of rows of numbers, in seconds, in whatever unit the file writes them."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from residue.archive.ingest.columns import Column, pieces
from residue.archive.ingest.facts import SECONDS_PER_TIME_UNIT
from residue.dsp.resampling import Floats
from residue.problems import stopping

_EPOCH_S = (9e8, 5e9)
"""Seconds since 1970-01-01 UTC of recordings between 1998 and 2128; POSIX.1-2017, 4.16, "Seconds Since the Epoch"."""
_LIKELY = {unit: SECONDS_PER_TIME_UNIT[unit] for unit in ("s", "ms", "us")}
_LONGEST_EPOCH_INTERVAL_S = 60.0
"""No sensor is slower; with a longer interval a large number counts something else."""
_IN_HEADING = re.compile(
    r"(?:^|[\W_])(?:(?P<ns>ns|nanosec\w*)|(?P<us>us|µs|μs|usec\w*|microsec\w*)|(?P<ms>ms|msec\w*|millis\w*|millisec\w*)"
    r"|(?P<s>s|sec|secs|seconds?))\W*$",
    re.IGNORECASE,
)
"""A unit at the end of a heading: "time_ms", "Time (s)", "t [µs]", "milliseconds"."""


@dataclass(frozen=True)
class Times:
    """A column of times, in seconds from `zero` of its unit on."""

    column: Column
    unit_s: float = 1.0
    began: datetime | None = None
    """The first time on a clock, if it tells one; with an offset from UTC where that is known."""
    assumed: bool = False
    """Whether the unit is a guess."""
    zero: float = 0.0

    @property
    def length(self) -> int:
        """The length in rows."""
        return self.column.length

    def read(self, start: int, stop: int) -> Floats:
        """Rows start, …, stop - 1."""
        return (self.column.read(start, stop) - self.zero) * self.unit_s


def of_moments(column: Column, first: datetime) -> Times:
    """The times of a column that counts seconds from its first moment."""
    return Times(column, began=None if first.year == 1 else first)


def of_numbers(where: str, column: Column, *, heading: str, stated: str | None) -> Times:
    """The times of a column of numbers, whose unit is stated, or told by its heading or by its size.

    Raises ProblemError where neither tells it and the numbers are whole: such a column may count seconds as well as
    thousandths.
    """
    beginning = next(pieces(column))[1]
    steps = np.diff(beginning)
    usual = float(np.median(steps)) if len(steps) else math.nan
    first = float(beginning[0])
    named = _IN_HEADING.search(heading)
    unit = stated or (named.lastgroup if named else None)
    epoch = _epoch_unit(first, usual)
    if unit is None and epoch is None:
        if (beginning == np.floor(beginning)).all() and usual > 0:
            readings = (f"{_rate(1 / (usual * size_s))} if they are {unit}" for unit, size_s in _LIKELY.items())
            what = f'Its column "{heading}" holds whole numbers of an untold unit: rows came {", ".join(readings)}.'
            raise stopping(where, what, f'Write time_unit = "ms", or the unit that is right, under [table."{where}"].')
        return Times(column, assumed=True)
    size_s = SECONDS_PER_TIME_UNIT[unit or epoch or "s"]
    since_1970 = epoch is not None and unit in (None, epoch)
    began = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=first * size_s) if since_1970 else None
    return Times(column, size_s, began, zero=first if since_1970 else 0.0)


def _epoch_unit(first: float, usual: float) -> str | None:
    """The unit in which a number is a time since 1970 that is likely, with a likely step from row to row."""
    low_s, high_s = _EPOCH_S
    for unit, size_s in SECONDS_PER_TIME_UNIT.items():
        if low_s <= first * size_s <= high_s and not usual * size_s > _LONGEST_EPOCH_INTERVAL_S:
            return unit
    return None


def _rate(rate_hz: float) -> str:
    return f"{rate_hz:.4g} times a second" if rate_hz != 1 else "once a second"


def checked(where: str, times_s: Times) -> Times:
    """The times, where each row has one and they ascend. Raises ProblemError."""
    before = -math.inf
    for start, times in pieces(times_s):
        unknown = np.flatnonzero(~np.isfinite(times))
        if len(unknown):
            raise stopping(where, f"Row {start + unknown[0] + 1} has no time.", "Remove the row, or correct it.")
        back = np.flatnonzero(np.diff(times, prepend=before) <= 0)
        if len(back):
            row = start + int(back[0])
            what = f"Time does not increase from row {row} to row {row + 1}."
            mend = "Sort the rows and remove the duplicates, or write rate_hz instead of time."
            raise stopping(where, what, mend)
        before = float(times[-1])
    return times_s
