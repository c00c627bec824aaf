"""The hours of a day are those that were in force then, whatever the files say now."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import msgspec
import pytest

from residue.installation.load import load
from residue.runtime.journal.hours_in_force import HoursRow, HoursSaid
from residue.runtime.journal.log import timestamp
from residue.runtime.report.hours_then import hours_then
from residue.schedule.calendar import PagedCalendar
from residue.schedule.opening import EVERYDAY, EventTerms, Opening
from residue.schedule.programme import Programme

ZONE = ZoneInfo("Europe/Berlin")
DAY = date(2026, 12, 3)
NIGHT_DOUGH = Path(__file__).parents[3] / "archives" / "night-dough"


def at(hour: float, day: date = DAY) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=ZONE).astimezone(UTC) + timedelta(hours=hour)


def opening(begins_h: float, ends_h: float, why: str = "weekly hours", terms: EventTerms = EVERYDAY) -> Opening:
    return Opening(at(begins_h).astimezone(ZONE), at(ends_h).astimezone(ZONE), why, terms)


VIEW = opening(19, 22, "Opening of the oven", EventTerms(-6.0))


def row(since_h: float, *openings: Opening, days: int = 31) -> HoursRow:
    said = HoursSaid(
        zone=ZONE.key,
        first=DAY - timedelta(days=1),
        last=DAY - timedelta(days=1) + timedelta(days=days),
        openings=openings,
        programme=Programme(performances=("first-batch",)),
        duration_s={"first-batch": 600.0},
    )
    return HoursRow(utc=timestamp(at(since_h)), digest="0123", said=msgspec.json.encode(said).decode())


def told(*rows: HoursRow) -> list[tuple[str, str, str]]:
    found = hours_then(DAY, rows, None, ZONE)
    assert found is not None
    assert found.from_log
    return [(f"{one.opening.opens:%H:%M}", f"{one.opening.closes:%H:%M}", one.opening.why) for one in found.openings]


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        pytest.param([row(-30, opening(10, 18))], [("10:00", "18:00", "weekly hours")], id="one version"),
        pytest.param(
            [row(-30, opening(10, 18)), row(15, opening(10, 17))],
            [("10:00", "17:00", "weekly hours")],
            id="shortened while it was open",
        ),
        pytest.param(
            [row(-30, opening(10, 18)), row(19, opening(12, 22))],
            [("10:00", "18:00", "weekly hours"), ("19:00", "22:00", "weekly hours")],
            id="opened again in the evening",
        ),
        pytest.param(
            [
                row(-30, opening(10, 18)),
                row(9, opening(10, 18), VIEW),
            ],
            [("10:00", "18:00", "weekly hours"), ("19:00", "22:00", "Opening of the oven")],
            id="a private view of the same morning",
        ),
        pytest.param([row(-30, opening(10, 18)), row(8)], [], id="closed in the morning"),
        pytest.param([row(11, opening(10, 18))], [("10:00", "18:00", "weekly hours")], id="before the first start"),
    ],
)
def test_each_version_counts_in_its_time(rows: list[HoursRow], expected: list[tuple[str, str, str]]) -> None:
    assert told(*rows) == expected


def test_the_log_is_believed_and_not_the_files_of_now() -> None:
    now = PagedCalendar(ZONE, lambda _first, _days: [opening(0, 24)])
    found = hours_then(DAY, [row(-30, opening(10, 18))], now, ZONE)
    assert found is not None
    assert [one.opening.closes for one in found.openings] == [at(18)]
    assert found.openings[0].said is not None
    assert found.openings[0].said.duration_s == {"first-batch": 600.0}


def test_of_a_day_that_no_version_knows_the_present_files_tell_and_that_is_told() -> None:
    long_ago = [row(-24 * 60, opening(-24 * 60, -24 * 59), days=0)]
    now = load(NIGHT_DOUGH).calendar
    found = hours_then(DAY, long_ago, now, ZONE)
    assert found is not None
    assert not found.from_log
    assert [one.opening for one in found.openings] == now.openings(DAY, 1)
    assert hours_then(DAY, long_ago, None, ZONE) is None


def test_a_row_of_another_version_is_passed_over() -> None:
    strange = HoursRow(utc=timestamp(at(12)), digest="", said='{"openings": 7}')
    assert told(row(-30, opening(10, 18)), strange) == [("10:00", "18:00", "weekly hours")]
