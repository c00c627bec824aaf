"""Planned against played, and the trims of a day, of rows made by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from residue.runtime.journal.hours_in_force import HoursSaid
from residue.runtime.journal.log import EventRow, LevelRow, timestamp
from residue.runtime.journal.tallies import Circumstances, Tallies
from residue.runtime.report.hours_then import OpeningThen
from residue.runtime.report.planned import PlannedAndPlayed, going_on_at, planned_and_played
from residue.runtime.report.plays import PlayedPerformance, played, trims
from residue.runtime.system.clock import Uptime
from residue.schedule.opening import Opening
from residue.schedule.programme import Programme
from tests.runtime.tallied import tally

ZONE = ZoneInfo("Europe/Berlin")
LENGTHS = {"first-batch": 240.0, "second-batch": 240.0}
OPENS = datetime(2026, 12, 3, 10, 0, tzinfo=ZONE)
DAY, NEXT_DAY = (datetime(2026, 12, day, tzinfo=ZONE) for day in (3, 4))


def minute(number: int, name: str | None, playhead_s: float | None, trim_db: float = 0.0) -> LevelRow:
    """The row of the minute that begins so many minutes after the opening."""
    then = Circumstances(house="playing", performance=name, playhead_s=playhead_s, plan_gain_db=None, trim_db=trim_db)
    tallies, end = Tallies(), OPENS.astimezone(UTC) + timedelta(minutes=number + 1)
    [row] = [row for row in tallies.rows(tally(60.0, -200.0), end, Uptime("", 0.0), then) if isinstance(row, LevelRow)]
    return row


def compared(
    openings: list[OpeningThen], plays: list[PlayedPerformance], until: datetime = NEXT_DAY
) -> list[PlannedAndPlayed]:
    return planned_and_played(openings, plays, DAY, NEXT_DAY, ZONE, until=until)


def opened(minutes: float, duration_s: dict[str, float]) -> OpeningThen:
    said = HoursSaid(
        zone=ZONE.key,
        first=OPENS.date(),
        last=OPENS.date(),
        openings=(),
        programme=Programme(performances=("first-batch", "second-batch"), rest_s=60.0),
        duration_s=duration_s,
    )
    return OpeningThen(Opening(OPENS, OPENS + timedelta(minutes=minutes), "weekly hours"), said)


def test_what_was_left_out_shows_beside_what_was_planned() -> None:
    """In 20 min: first 0-4, second 5-9, first 10-14, second 15-19; the second did not play, the first began again."""
    heard = [
        *(minute(n, "first-batch", 60.0 * (n + 1)) for n in range(4)),
        *(minute(n, None, None) for n in range(4, 10)),
        *(minute(n, "first-batch", 60.0 * (n - 9)) for n in range(10, 12)),
        *(minute(n, "first-batch", 60.0 * (n - 11)) for n in range(12, 14)),
    ]
    plays = played(heard, ZONE)
    found = compared([opened(20, LENGTHS)], plays)
    assert [(one.performance, one.planned, one.played) for one in found] == [
        ("first-batch", 2, 3),
        ("second-batch", 2, 0),
    ]
    assert [one.planned_h for one in found] == [8 / 60, 8 / 60]
    assert [one.played_h for one in found] == [8 / 60, 0.0]


def test_what_is_planned_for_later_is_not_missed() -> None:
    found = compared([opened(20, LENGTHS)], [], until=OPENS + timedelta(minutes=1))
    assert [(one.performance, one.planned) for one in found] == [("first-batch", 1)]


def test_without_lengths_the_plan_is_not_known() -> None:
    plays = played([minute(0, "first-batch", 60.0)], ZONE)
    [found] = compared([opened(20, {})], plays)
    assert (found.planned, found.planned_h, found.played) == (None, None, 1)


def test_what_a_night_plays_after_midnight_counts_on_the_day_on_which_it_sounds() -> None:
    """22:00 to 02:00, 5 min apart: 24 begin before midnight and 24 after it, and none sounds over it."""
    night = opened(240, LENGTHS)
    night = replace(
        night, opening=replace(night.opening, opens=NEXT_DAY - timedelta(hours=2), closes=NEXT_DAY + timedelta(hours=2))
    )
    for start in (DAY, NEXT_DAY):
        found = planned_and_played(
            [night], [], start, start + timedelta(days=1), ZONE, until=NEXT_DAY + timedelta(days=2)
        )
        assert [one.planned for one in found] == [12, 12]


@pytest.mark.parametrize(
    ("playhead_s", "ends_s"),
    [(None, None), (60.0, 180.0), (200.0, 40.0), (240.0, 0.0)],
    ids=["nothing sounded", "just begun", "soon over", "just over"],
)
def test_a_house_that_stays_open_plays_over_midnight_what_is_under_way(
    playhead_s: float | None, ends_s: float | None
) -> None:
    """It counts on both days, with the part that sounds; the first of the day begins after its rest of 60 s."""
    at_midnight = round((NEXT_DAY - OPENS) / timedelta(minutes=1)) - 1
    name = None if playhead_s is None else "second-batch"
    rows = [minute(at_midnight, name, playhead_s)]
    before = going_on_at(rows, NEXT_DAY, LENGTHS)
    day = opened(0, LENGTHS)
    day = replace(day, opening=replace(day.opening, opens=NEXT_DAY, closes=NEXT_DAY + timedelta(days=1)))
    until = NEXT_DAY + timedelta(seconds=1 if ends_s is None else ends_s + 61)
    found = planned_and_played([day], [], NEXT_DAY, NEXT_DAY + timedelta(days=1), ZONE, until=until, going_on=before)
    over = [("second-batch", ends_s / 3600.0)] if ends_s else []
    assert [(one.performance, one.planned_h) for one in found] == [*over, ("first-batch", pytest.approx(240 / 3600))]


def test_what_ended_long_before_midnight_leaves_the_day_as_it_is() -> None:
    rows = [minute(0, "second-batch", 60.0)]
    before = going_on_at(rows, NEXT_DAY, LENGTHS)
    assert before is not None
    assert before.ends == OPENS + timedelta(minutes=1)


def test_a_trim_is_told_with_its_length_and_who_asked() -> None:
    rows = [
        minute(0, "first-batch", 60.0),
        *(minute(n, "first-batch", 60.0 * (n + 1), -6.0) for n in (1, 2)),
        minute(3, None, None),
    ]
    asked = [EventRow(utc=timestamp(OPENS + timedelta(seconds=90)), kind="trim", text="", sender="10.0.0.7")]
    [found] = trims(rows, asked, ZONE)
    assert (found.begins, found.ends) == (OPENS + timedelta(minutes=1), OPENS + timedelta(minutes=3))
    assert (found.trim_db, found.by) == (-6.0, "10.0.0.7")
