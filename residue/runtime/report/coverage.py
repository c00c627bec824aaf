"""How much of the open time the level log covers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import floor

from residue.runtime.journal.log import LevelRow, SecondRow
from residue.runtime.journal.reading import Logged

TimeSpan = tuple[datetime, datetime]

_JOINED = timedelta(seconds=3)
"""Rows are made about every second, when the loop comes to it: less than this between two of them is no gap."""


@dataclass(frozen=True, slots=True)
class Coverage:
    """gaps: the stretches of the open time without rows."""

    open_s: float
    gaps: Sequence[TimeSpan]

    @property
    def missing_s(self) -> float:
        """The open time without rows."""
        return sum((ends - begins).total_seconds() for begins, ends in self.gaps)

    @property
    def percent(self) -> float | None:
        """The share of the open time with rows, rounded down; None where the house was closed."""
        return floor(1000.0 * (1.0 - self.missing_s / self.open_s)) / 10.0 if self.open_s else None

    @property
    def words(self) -> str:
        """A sentence."""
        if self.percent is None:
            return "There was no open time."
        covered_h, open_h = (self.open_s - self.missing_s) / 3600.0, self.open_s / 3600.0
        return f"The log covers {self.percent:g} % of the open time: {covered_h:.2f} of {open_h:.2f} h."


def coverage(openings: Iterable[TimeSpan], logged: Logged, until: datetime) -> Coverage:
    """The coverage of openings by rows a minute and a second. until: now; later open time does not count."""
    rows = sorted(_rows(logged))
    past = [(opens, min(closes, until)) for opens, closes in openings if opens < until]
    gaps = [gap for opens, closes in past for gap in _gaps(opens, closes, rows)]
    return Coverage(sum((closes - opens).total_seconds() for opens, closes in past), gaps)


def together(found: Iterable[Coverage]) -> Coverage:
    """The coverage of several stretches."""
    found = list(found)
    return Coverage(sum(one.open_s for one in found), [gap for one in found for gap in one.gaps])


def _rows(logged: Logged) -> Iterable[TimeSpan]:
    rows: list[LevelRow | SecondRow] = [*logged.minutes, *logged.seconds]
    for row in rows:
        ends = datetime.fromisoformat(row.utc)
        yield ends - timedelta(seconds=row.duration_s), ends


def _gaps(opens: datetime, closes: datetime, rows: Sequence[TimeSpan]) -> Iterable[TimeSpan]:
    covered = opens
    for begins, ends in (row for row in rows if row[1] > opens and row[0] < closes):
        if begins - covered > _JOINED:
            yield covered, begins
        covered = max(covered, ends)
    if closes - covered > _JOINED:
        yield covered, closes
