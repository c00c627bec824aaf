"""iCalendar files against what others say they mean."""

from __future__ import annotations

import datetime as dt
from importlib import resources
from pathlib import Path
from zoneinfo import ZoneInfo

import icalendar
import msgspec
import pytest
import recurring_ical_events
from dateutil.rrule import rrulestr

from residue.problems import ProblemError
from residue.schedule import events
from residue.schedule.calendar import Calendar
from residue.schedule.calendar_file import Meaning
from residue.schedule.event_words import meaning
from residue.schedule.hours import Hours, calendar
from tests.reference.rfc5545_examples import EXAMPLES, dates

NEW_YORK = ZoneInfo("America/New_York")


def by(path: Path, zone: ZoneInfo) -> Calendar:
    raw = {"time_zone": zone.key, "programme": {"performances": ["first-batch"]}}
    read = events.read(path, zone)
    return calendar(msgspec.convert(raw, Hours), read.everyday, read.private_views)


def file(folder: Path, start: str, rule: str, *more: str) -> Path:
    path = folder / "hours.ics"
    end = start.replace("T09", "T10")
    zone = "TZID=America/New_York"
    lines = (
        *(
            "BEGIN:VCALENDAR",
            "VERSION:2.0",
            "PRODID:-//bakery//EN",
            "BEGIN:VEVENT",
            "UID:1",
            "DTSTAMP:19970101T000000Z",
        ),
        *(f"DTSTART;{zone}:{start}", f"DTEND;{zone}:{end}", f"RRULE:{rule}", *more, "END:VEVENT", "END:VCALENDAR", ""),
    )
    path.write_bytes("\r\n".join(lines).encode())
    return path


RULES = [
    *((start, rule, dates(printed)) for start, rule, printed in EXAMPLES),
    # The same section, in words: dates that a month or year does not have are passed over.
    ("20260131", "FREQ=MONTHLY", ["2026-01-31", "2026-03-31", "2026-05-31", "2026-07-31"]),
    ("20240229", "FREQ=YEARLY", ["2024-02-29", "2028-02-29", "2032-02-29"]),
]
IDS = [f"{start} {rule}" for start, rule, _ in RULES]


@pytest.mark.parametrize(("start", "rule", "expected"), RULES, ids=IDS)
def test_rules_open_on_the_dates_that_rfc_5545_gives(
    tmp_path: Path, start: str, rule: str, expected: list[str]
) -> None:
    answers = by(file(tmp_path, f"{start}T090000", rule), NEW_YORK)
    first, last = dt.date.fromisoformat(expected[0]), dt.date.fromisoformat(expected[-1])
    found = answers.openings(first, (last - first).days + 1)
    assert [one.opens.date().isoformat() for one in found] == expected
    assert {f"{one.opens:%H:%M}-{one.closes:%H:%M}" for one in found} == {"09:00-10:00"}


@pytest.mark.parametrize(("start", "rule", "expected"), RULES, ids=IDS)
def test_rules_open_on_the_dates_that_dateutil_gives(
    tmp_path: Path, start: str, rule: str, expected: list[str]
) -> None:
    days = 2 * (dt.date.fromisoformat(expected[-1]) - dt.date.fromisoformat(expected[0])).days
    begin = dt.datetime.fromisoformat(f"{expected[0]}T09:00").replace(tzinfo=NEW_YORK)
    others = rrulestr(rule, dtstart=begin).between(begin, begin + dt.timedelta(days=days), inc=True)
    found = by(file(tmp_path, f"{start}T090000", rule), NEW_YORK).openings(begin.date(), days)
    assert [one.opens.date() for one in found] == [
        one.date() for one in others if one.date() < begin.date() + dt.timedelta(days=days)
    ]


def test_the_friday_the_thirteenth_of_rfc_5545_leaves_its_start_out(tmp_path: Path) -> None:
    left_out = "EXDATE;TZID=America/New_York:19970902T090000"
    found = by(file(tmp_path, "19970902T090000", "FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13", left_out), NEW_YORK)
    fridays = dates("1998-02: 13; 1998-03: 13; 1998-11: 13; 1999-08: 13; 2000-10: 13")
    assert [one.opens.date().isoformat() for one in found.openings(dt.date(1997, 9, 1), 1200)] == fridays


def test_dates_are_added_taken_out_and_moved(tmp_path: Path) -> None:
    """RDATE, EXDATE and RECURRENCE-ID (RFC 5545, 3.8.5.2, 3.8.5.1, 3.8.4.4)."""
    zone = "TZID=America/New_York"
    path = file(
        tmp_path,
        "20260302T090000",
        "FREQ=DAILY;COUNT=4",
        f"RDATE;{zone}:20260310T090000",
        f"EXDATE;{zone}:20260303T090000",
        *("END:VEVENT", "BEGIN:VEVENT", "UID:1", "DTSTAMP:20260101T000000Z"),
        *(f"RECURRENCE-ID;{zone}:20260304T090000", f"DTSTART;{zone}:20260304T150000", f"DTEND;{zone}:20260304T170000"),
    )
    told = [f"{one.opens:%d %H:%M}-{one.closes:%H:%M}" for one in by(path, NEW_YORK).openings(dt.date(2026, 3, 1), 12)]
    assert told == ["02 09:00-10:00", "04 15:00-17:00", "05 09:00-10:00", "10 09:00-10:00"]


def test_a_recurring_night_follows_the_wall_clock_over_a_change(tmp_path: Path) -> None:
    """New York goes from 02:00 to 03:00 on 8 March 2026 (IANA database)."""
    path = file(tmp_path, "20260306T220000", "FREQ=DAILY;COUNT=3", "SUMMARY:night")
    path.write_bytes(
        path.read_bytes().replace(
            b"DTEND;TZID=America/New_York:20260306T220000", b"DTEND;TZID=America/New_York:20260307T040000"
        )
    )
    found = by(path, NEW_YORK).openings(dt.date(2026, 3, 6), 3)
    assert [one.closes - one.opens for one in found] == [dt.timedelta(hours=hours) for hours in (6, 5, 6)]
    assert {f"{one.closes:%H:%M}" for one in found} == {"04:00"}


# Calendar files that two packages carry for their own tests, most of them from people's calendars.
FILES = [
    (package, entry.name)
    for package in ("recurring_ical_events.test", "icalendar.tests")
    for entry in sorted((resources.files(package) / "calendars").iterdir(), key=lambda entry: entry.name)
    if entry.name.endswith(".ics")
]


def test_there_are_real_calendar_files_to_try() -> None:
    assert len(FILES) > 150


def day_of(moment: dt.date, zone: ZoneInfo) -> dt.date:
    if not isinstance(moment, dt.datetime):
        return moment
    return (moment if moment.tzinfo is None else moment.astimezone(zone)).date()


@pytest.mark.parametrize(("package", "name"), FILES, ids=[name for _, name in FILES])
def test_a_real_calendar_file_is_refused_with_a_word_or_opens_when_others_say(package: str, name: str) -> None:
    zone = ZoneInfo("Europe/Berlin")
    with resources.as_file(resources.files(package) / "calendars" / name) as path:
        try:
            answers = by(path, zone)
        except ProblemError:
            return
        calendars = icalendar.Calendar.from_ical(path.read_bytes().decode("utf-8-sig"), multiple=True)
    starts = [event.DTSTART for one in calendars for event in one.walk("VEVENT") if isinstance(event, icalendar.Event)]
    if not starts:
        return
    first = min(dt.date(start.year, start.month, start.day) for start in starts if start is not None)
    days: list[tuple[dt.date, dt.date]] = []
    for one in calendars:
        for event in recurring_ical_events.of(one).between(first, first + dt.timedelta(days=400)):
            days.append((day_of(event["DTSTART"].dt, zone), day_of(event["DTEND"].dt, zone)))
            begins, ends = event["DTSTART"].dt, event["DTEND"].dt
            counts = meaning(event) is not Meaning.NOTE and event.get("STATUS") != "CANCELLED"
            if not isinstance(begins, dt.datetime) or begins == ends or not counts:
                continue
            moment = begins if begins.tzinfo is not None else begins.replace(tzinfo=zone)
            assert answers.opening_at(moment) is not None, f"closed at {moment} in spite of {event.get('SUMMARY')}"
    for opening in answers.openings(first, 390):
        day = opening.opens.date()
        assert any(begins <= day <= ends for begins, ends in days), f"open on {day}, on which nobody has an event"
