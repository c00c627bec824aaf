"""Levels relative to each cap over time, from the level log."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import inf, log10

import numpy as np
from numpy.typing import NDArray

from residue.loudness.caps.caps import PLACE, Cap, reached_in_words
from residue.loudness.caps.quantities import Statistic
from residue.runtime.journal.log import LevelRow, SecondRow
from residue.runtime.journal.reading import Logged

Floats = NDArray[np.float64]
MISSING_ROWS = timedelta(seconds=90)
"""If rows a second begin later than this after the first minute with sound, they were deleted, and minutes are used."""


@dataclass(frozen=True, slots=True)
class Course:
    """One cap over the rows of the log: the level over the window that ends with each, in the unit of the cap."""

    cap: Cap
    ends: Sequence[datetime]
    levels: Floats
    """(rows,), -inf for silence."""
    every_s: int
    """The time between rows with sound: 1 or 60."""
    tells: NDArray[np.bool_]
    """(rows,): False where a row has no level for the cap, because the cap was set later."""
    since: datetime | None = None
    """When it came into force, if within the time that is reported."""
    until: datetime | None = None
    """When it was no longer in force, if within the time that is reported."""

    def within(self, start: datetime, end: datetime) -> Course:
        """The part of the course that ends after start and not after end."""
        kept = [n for n, moment in enumerate(self.ends) if start < moment <= end]
        ends, levels, tells = [self.ends[n] for n in kept], self.levels[kept], self.tells[kept]
        return replace(self, ends=ends, levels=levels, tells=tells)

    @property
    def unknown(self) -> int:
        """The number of rows without a level for the cap."""
        return int(np.count_nonzero(~self.tells))

    @property
    def highest(self) -> tuple[float, datetime] | None:
        """The highest level and when its window ended; None without sound."""
        if not len(self.levels) or np.max(self.levels) == -inf:
            return None
        at = int(np.argmax(self.levels))
        return float(self.levels[at]), self.ends[at]

    @property
    def kept(self) -> bool:
        """Whether the cap was never exceeded. The log is rounded to a hundredth of a dB, upwards."""
        return self.highest is None or self.highest[0] <= self.cap.limit + 0.02

    @property
    def words(self) -> str:
        """The highest level in words."""
        level = -inf if self.highest is None else self.highest[0]
        return reached_in_words(level, self.cap.limit, self.cap.unit)


def course(cap: Cap, key: str, logged: Logged) -> Course:
    """The course of a cap. key: that of its ear."""
    rows: list[LevelRow | SecondRow] = [*logged.minutes]
    every_s = 60
    if _complete(logged) and (cap.at == PLACE or cap.quantity.windowed):
        silent = [row for row in logged.minutes if row.lceq_db is None]  # their seconds have no rows
        rows, every_s = sorted([*logged.seconds, *silent], key=lambda row: row.utc), 1
    ends = [datetime.fromisoformat(row.utc) for row in rows]
    found = [_mean(row, key) if cap.quantity.windowed else _highest(row, cap) for row in rows]
    tells = np.array([level is not None for level in found], dtype=np.bool_)
    levels = np.array([-inf if level is None else level for level in found])
    if cap.quantity.windowed:
        levels = _over_window(ends, np.array([row.duration_s for row in rows]), levels, cap.window_s)
        if cap.quantity.statistic is Statistic.DOSE:  # from the mean of fourth powers to the fourth root of their sum
            levels = levels / 2.0 + 5.0 * log10(cap.window_s)
    return Course(cap, ends, levels, every_s, tells)


def _complete(logged: Logged) -> bool:
    first = next((row for row in logged.minutes if row.lceq_db is not None), None)
    if first is None or not logged.seconds:
        return bool(logged.seconds)
    return datetime.fromisoformat(logged.seconds[0].utc) < datetime.fromisoformat(first.utc) + MISSING_ROWS


def _mean(row: LevelRow | SecondRow, key: str) -> float | None:
    sent = json.loads(row.sent)
    if key not in sent:
        return None
    return -inf if sent[key] is None else float(sent[key])


def _highest(row: LevelRow | SecondRow, cap: Cap) -> float | None:
    column = "lc_peak_db" if cap.quantity.statistic is Statistic.PEAK else "laf_max_db"
    if cap.at == PLACE or isinstance(row, SecondRow):
        level = getattr(row, column)
    else:
        level = json.loads(row.outputs).get(cap.at, {}).get(column)
    return -inf if level is None else float(level)


def _over_window(ends: Sequence[datetime], durations_s: Floats, levels: Floats, window_s: float) -> Floats:
    """A row belongs to a window if its middle does, so that a late row never adds one too many."""
    if not len(ends):
        return levels
    ends_s = np.array([moment.timestamp() for moment in ends])
    energy = np.concatenate(([0.0], np.cumsum(durations_s * 10.0 ** (levels / 10.0))))
    longest = np.maximum(window_s, durations_s)
    first = np.searchsorted(ends_s - durations_s / 2.0, ends_s - longest)
    first = np.minimum(first, np.arange(len(ends)))
    sums = np.maximum(energy[1:] - energy[first], 0.0)
    sums[sums < 1e-9 * energy[-1] / max(1, len(ends))] = 0.0  # the rounding error of running sums in silence
    with np.errstate(divide="ignore"):
        over: Floats = 10.0 * np.log10(sums / longest)
    return over
