"""Planned against played: how often, and how long, each performance of a day."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from residue.runtime.report.hours_then import OpeningThen
from residue.runtime.report.plays import PlayedPerformance
from residue.schedule.agenda import AgendaEntry, plays


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedAndPlayed:
    """One performance of a day. planned, planned_h: None where the plan is not known."""

    performance: str
    planned: int | None
    planned_h: float | None
    played: int
    played_h: float


def planned_and_played(
    openings: Sequence[OpeningThen], played: Sequence[PlayedPerformance], until: datetime, zone: ZoneInfo
) -> list[PlannedAndPlayed]:
    """By performance, in the order of the plan. until: now; what is planned for later does not count."""
    found = [_plan(one, until, zone) for one in openings]
    plan = None if None in found else [entry for entries in found for entry in entries or ()]
    names = dict.fromkeys([*(entry.performance for entry in plan or ()), *(play.name for play in played)])
    return [_of(name, plan, [play for play in played if play.name == name]) for name in names]


def _plan(one: OpeningThen, until: datetime, zone: ZoneInfo) -> list[AgendaEntry] | None:
    if one.said is None:
        return None
    try:
        entries = plays(one.opening, one.said.programme, one.said.duration_s, zone)
    except KeyError:  # the length of a performance was not known yet
        return None
    return [entry for entry in entries if entry.begins < until]


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
