"""Openings over changes of the clock.

The instants of the changes are those of the IANA time zone database (release 2026, as `zdump -v` prints them); what a
local time means that does not exist, or exists twice, is RFC 5545, 3.3.5.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import msgspec
import pytest

from residue.schedule.hours import Hours, calendar
from residue.schedule.spans import instant

EVERY_DAY = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def opened(zone: str, day: str, span: str) -> list[tuple[datetime, datetime]]:
    weekly = {name: [span] for name in EVERY_DAY}
    programme = {"performances": ["first-batch"]}
    hours = msgspec.convert({"time_zone": zone, "weekly": weekly, "programme": programme}, Hours)
    return [(one.opens, one.closes) for one in calendar(hours).openings(date.fromisoformat(day), 1)]


@pytest.mark.parametrize(
    ("zone", "day", "hours_long"),
    [
        pytest.param("Europe/Berlin", "2026-03-28", 5.0, id="Berlin forward"),
        pytest.param("Europe/Berlin", "2026-10-24", 7.0, id="Berlin back"),
        pytest.param("Europe/Berlin", "2026-06-06", 6.0, id="Berlin, no change"),
        pytest.param("America/New_York", "2026-03-07", 5.0, id="New York forward"),
        pytest.param("America/New_York", "2026-10-31", 7.0, id="New York back"),
        pytest.param("Australia/Lord_Howe", "2026-10-03", 5.5, id="Lord Howe forward by half an hour"),
        pytest.param("Australia/Lord_Howe", "2026-04-04", 6.5, id="Lord Howe back by half an hour"),
        pytest.param("Australia/Sydney", "2026-10-03", 5.0, id="Sydney forward in its spring"),
        pytest.param("Australia/Sydney", "2026-04-04", 7.0, id="Sydney back in its autumn"),
        pytest.param("Asia/Kolkata", "2026-03-28", 6.0, id="Kolkata never changes"),
        pytest.param("Africa/Casablanca", "2026-02-14", 7.0, id="Casablanca back for Ramadan"),
        pytest.param("Africa/Casablanca", "2026-03-21", 5.0, id="Casablanca forward after it"),
        pytest.param("Pacific/Chatham", "2026-09-26", 5.0, id="Chatham forward at a quarter to three"),
        pytest.param("Africa/Cairo", "2026-04-23", 5.0, id="Cairo forward at midnight"),
    ],
)
def test_a_night_over_a_change_of_the_clock_lasts_what_the_zone_says(zone: str, day: str, hours_long: float) -> None:
    [(opens, closes)] = opened(zone, day, "22:00-04:00")
    assert closes - opens == timedelta(hours=hours_long)


@pytest.mark.parametrize(
    ("zone", "change_utc", "offset_before_h", "offset_after_h"),
    [
        ("Europe/Berlin", "2026-03-29T01:00", 1, 2),
        ("Europe/Berlin", "2026-10-25T01:00", 2, 1),
        ("Europe/London", "2026-03-29T01:00", 0, 1),
        ("America/New_York", "2026-03-08T07:00", -5, -4),
        ("America/New_York", "2026-11-01T06:00", -4, -5),
        ("America/St_Johns", "2026-03-08T05:30", -3.5, -2.5),
        ("Australia/Lord_Howe", "2026-04-04T15:00", 11, 10.5),
        ("Australia/Lord_Howe", "2026-10-03T15:30", 10.5, 11),
        ("Australia/Sydney", "2026-04-04T16:00", 11, 10),
        ("Australia/Sydney", "2026-10-03T16:00", 10, 11),
        ("Pacific/Chatham", "2026-04-04T14:00", 13.75, 12.75),
        ("Africa/Cairo", "2026-04-23T22:00", 2, 3),
        ("Africa/Casablanca", "2026-02-15T02:00", 1, 0),
        ("Africa/Casablanca", "2026-03-22T02:00", 0, 1),
    ],
)
def test_openings_that_meet_at_a_change_carry_the_offset_of_each_side(
    zone: str, change_utc: str, offset_before_h: float, offset_after_h: float
) -> None:
    change = datetime.fromisoformat(change_utc).replace(tzinfo=UTC)
    day = change.astimezone(ZoneInfo(zone)).date() - timedelta(days=1)
    [(opens, closes)] = opened(zone, day.isoformat(), "18:00-06:00")
    assert opens < change < closes
    assert opens.utcoffset() == timedelta(hours=offset_before_h)
    assert closes.utcoffset() == timedelta(hours=offset_after_h)


@pytest.mark.parametrize(
    ("zone", "day", "clock", "instant_utc"),
    [
        # The two examples that RFC 5545, 3.3.5 prints.
        pytest.param("America/New_York", "2007-11-04", "01:30", "2007-11-04T05:30", id="RFC 5545, twice: the first"),
        pytest.param("America/New_York", "2007-03-11", "02:30", "2007-03-11T07:30", id="RFC 5545, never: as before"),
        # The same rule on the changes listed above.
        pytest.param("Europe/Berlin", "2026-03-29", "02:30", "2026-03-29T01:30", id="Berlin, never"),
        pytest.param("Europe/Berlin", "2026-10-25", "02:30", "2026-10-25T00:30", id="Berlin, twice"),
        pytest.param("Australia/Lord_Howe", "2026-10-04", "02:15", "2026-10-03T15:45", id="Lord Howe, never"),
        pytest.param("Australia/Lord_Howe", "2026-04-05", "01:45", "2026-04-04T14:45", id="Lord Howe, twice"),
        pytest.param("Africa/Cairo", "2026-04-24", "00:00", "2026-04-23T22:00", id="Cairo, a day without its midnight"),
    ],
)
def test_a_local_time_in_a_gap_or_fold_has_one_meaning(zone: str, day: str, clock: str, instant_utc: str) -> None:
    hour, minute = map(int, clock.split(":"))
    found = instant(date.fromisoformat(day), hour * 60 + minute, ZoneInfo(zone))
    assert found == datetime.fromisoformat(instant_utc).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("day", "span", "utc"),
    [
        # Of two independent readers of OpenStreetMap hours one skips the gap and one enters it late, one takes the
        # first 02:15 and one the second; ours follows RFC 5545, 3.3.5 at both ends of a span.
        pytest.param("2026-03-29", "02:15-02:45", [("01:15", "01:45")], id="within the gap: an hour later"),
        pytest.param("2026-03-29", "02:30-03:00", [], id="ends before it starts: not at all"),
        pytest.param("2026-03-29", "01:30-02:30", [("00:30", "01:30")], id="into the gap"),
        pytest.param("2026-10-25", "02:15-02:45", [("00:15", "00:45")], id="within the fold: the first time only"),
        pytest.param("2026-10-25", "02:45-03:15", [("00:45", "02:15")], id="out of the fold: an hour more"),
    ],
)
def test_a_span_in_a_gap_or_fold_lasts_as_its_ends_say(day: str, span: str, utc: list[tuple[str, str]]) -> None:
    found = [
        (f"{opens.astimezone(UTC):%H:%M}", f"{closes.astimezone(UTC):%H:%M}")
        for opens, closes in opened("Europe/Berlin", day, span)
    ]
    assert found == utc


def test_a_day_open_all_day_lasts_23_and_25_hours() -> None:
    for day, hours_long in (("2026-03-29", 23), ("2026-10-25", 25), ("2026-10-26", 24)):
        [(opens, closes)] = opened("Europe/Berlin", day, "00:00-24:00")
        assert closes - opens == timedelta(hours=hours_long)
