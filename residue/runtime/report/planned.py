"""Planned against played: how often, and how long, each performance of a day."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from residue.runtime.journal.log import LevelRow
from residue.runtime.report.hours_then import OpeningThen
from residue.runtime.report.plays import PlayedPerformance
from residue.schedule.agenda import AgendaEntry, plays

_A_ROW = timedelta(minutes=1)
"""The longest stretch of time of a row of a level."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedAndPlayed:
    """One performance of a day. planned, planned_h: None where the plan is not known."""

    performance: str
    planned: int | None
    planned_h: float | None
    played: int
    played_h: float


def planned_and_played(
    openings: Sequence[OpeningThen],
    played: Sequence[PlayedPerformance],
    start: datetime,
    end: datetime,
    zone: ZoneInfo,
    *,
    until: datetime,
    going_on: AgendaEntry | None = None,
) -> list[PlannedAndPlayed]:
    """By performance, in the order of the plan. What sounds on two days counts on both, each with its hours.

    openings: those of the day, from start to end, and those of the days before that reach into it. until: now; what is
    planned for later does not count. going_on: what `going_on_at` gives.
    """
    found = [_plan(one, going_on if one.opening.opens == start else None, zone) for one in openings]
    parts = (_parts(entries or (), start=start, end=end, until=until) for entries in found)
    plan = None if None in found else [one for each in parts for one in each]
    names = dict.fromkeys([*(one.performance for one in plan or ()), *(play.name for play in played)])
    return [_of(name, plan, [play for play in played if play.name == name]) for name in names]


def going_on_at(minutes: Sequence[LevelRow], start: datetime, duration_s: Mapping[str, float]) -> AgendaEntry | None:
    """The performance that sounds at the beginning of a day, to its end, or else the last one before; None without one.

    A house that stays open at midnight begins the day after it, with its rest. minutes: around the beginning.
    """
    begun = [row for row in minutes if row.performance in duration_s and _began(row) < start]
    if not begun or (last := begun[-1]).performance is None:
        return None
    ends = datetime.fromisoformat(last.utc)
    if ends >= start - _A_ROW:
        ends += timedelta(seconds=max(0.0, duration_s[last.performance] - (last.playhead_s or 0.0)))
    return AgendaEntry(last.performance, _began(last), ends, whole=True)


def _parts(entries: Sequence[AgendaEntry], *, start: datetime, end: datetime, until: datetime) -> Iterator[AgendaEntry]:
    for one in entries:
        if one.begins < min(end, until) and one.ends > start:
            yield replace(one, begins=max(one.begins, start), ends=min(one.ends, end))


def _began(row: LevelRow) -> datetime:
    return datetime.fromisoformat(row.utc) - timedelta(seconds=row.playhead_s or row.duration_s)


def _plan(one: OpeningThen, before: AgendaEntry | None, zone: ZoneInfo) -> list[AgendaEntry] | None:
    if one.said is None:
        return None
    try:
        entries = plays(one.opening, one.said.programme, one.said.duration_s, zone, before)
    except KeyError:  # the length of a performance was not known yet
        return None
    return entries if before is None else [before, *entries]


def _of(name: str, plan: Sequence[AgendaEntry] | None, played: Sequence[PlayedPerformance]) -> PlannedAndPlayed:
    those = None if plan is None else [entry for entry in plan if entry.performance == name]
    return PlannedAndPlayed(
        performance=name,
        planned=None if those is None else len(those),
        planned_h=None if those is None else sum(_hours(entry.begins, entry.ends) for entry in those),
        played=len(played),
        played_h=sum(play.sounded_s for play in played) / 3600.0,
    )


def _hours(begins: datetime, ends: datetime) -> float:
    return (ends - begins).total_seconds() / 3600.0
