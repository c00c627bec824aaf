"""The performances of a day as they were played, and the trims under which they were."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from math import inf
from zoneinfo import ZoneInfo

from residue.loudness.stage.readings import mean_db
from residue.runtime.journal.log import EventRow, LevelRow
from residue.schedule.spans import local


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayedPerformance:
    """One performance as it was played."""

    name: str
    begins: datetime
    ends: datetime
    sounded_s: float
    laeq_db: float
    lceq_db: float
    laf_max_db: float | None
    lc_peak_db: float | None
    integrated_lufs: float | None
    loudness_range_lu: float | None
    true_peak_dbtp: float | None
    plan_gain_db: float | None
    governor_gain_db: float
    """The lowest gain of the governor."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trimmed:
    """A stretch of time in which a person had the house lower. by: who asked for it last; None if that is not known."""

    begins: datetime
    ends: datetime
    trim_db: float
    by: str | None


def played(minutes: Sequence[LevelRow], zone: ZoneInfo) -> list[PlayedPerformance]:
    """Every play; one that begins again is another."""
    return [_play(rows, zone) for rows in _plays(minutes)]


def _plays(minutes: Sequence[LevelRow]) -> Iterator[list[LevelRow]]:
    rows: list[LevelRow] = []
    for row in minutes:
        if rows and (row.performance != rows[-1].performance or (row.playhead_s or 0.0) < (rows[-1].playhead_s or 0.0)):
            if rows[0].performance is not None:
                yield rows
            rows = []
        rows.append(row)
    if rows and rows[0].performance is not None:
        yield rows


def trims(minutes: Sequence[LevelRow], events: Sequence[EventRow], zone: ZoneInfo) -> list[Trimmed]:
    """Each stretch of one trim; shorter ones than a minute may stand in the events alone."""
    asked = [event for event in events if event.kind == "trim"]
    found = []
    for trim_db, group in groupby(minutes, lambda row: row.trim_db):
        rows = list(group)
        if not trim_db:
            continue
        before = [event.sender for event in asked if event.utc <= rows[0].utc]
        found.append(
            Trimmed(
                begins=local(_begin(rows[0]), zone),
                ends=local(datetime.fromisoformat(rows[-1].utc), zone),
                trim_db=trim_db,
                by=before[-1] if before else None,
            )
        )
    return found


def _begin(row: LevelRow) -> datetime:
    return datetime.fromisoformat(row.utc) - timedelta(seconds=row.duration_s)


def _play(rows: Sequence[LevelRow], zone: ZoneInfo) -> PlayedPerformance:
    durations_s = [row.duration_s for row in rows]

    def mean(column: str) -> float:
        levels = [getattr(row, column) for row in rows]
        return mean_db([-inf if level is None else level for level in levels], durations_s)

    def most(column: str) -> float | None:
        return max((level for row in rows if (level := getattr(row, column)) is not None), default=None)

    return PlayedPerformance(
        name=rows[0].performance or "",
        begins=local(_begin(rows[0]), zone),
        ends=local(datetime.fromisoformat(rows[-1].utc), zone),
        sounded_s=sum(durations_s),
        laeq_db=mean("laeq_db"),
        lceq_db=mean("lceq_db"),
        laf_max_db=most("laf_max_db"),
        lc_peak_db=most("lc_peak_db"),
        integrated_lufs=rows[-1].integrated_lufs,
        loudness_range_lu=rows[-1].loudness_range_lu,
        true_peak_dbtp=most("true_peak_dbtp"),
        plan_gain_db=rows[-1].plan_gain_db,
        governor_gain_db=min(row.governor_gain_db for row in rows),
    )
