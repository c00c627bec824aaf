from __future__ import annotations

from datetime import date
from pathlib import Path

import msgspec
import pytest

from residue.problems import ProblemError
from residue.schedule.beside import calendar_of
from residue.schedule.hours import Hours
from residue.schedule.opening import EventTerms

RAW = {"time_zone": "Europe/Berlin", "programme": {"performances": ["first-batch"]}}
WEEKLY = {"weekly": {"tue": ["10:00-18:00"]}}
EVENT = """BEGIN:VCALENDAR
VERSION:2.0
PRODID:-//bakery//EN
BEGIN:VEVENT
UID:1
DTSTAMP:20260101T000000Z
DTSTART;TZID=Europe/Berlin:20260304T120000
DTEND;TZID=Europe/Berlin:20260304T140000
SUMMARY:Open
END:VEVENT
END:VCALENDAR
"""


def hours(**more: object) -> Hours:
    return msgspec.convert(RAW | more, Hours)


def test_without_a_calendar_file_the_weekly_hours_hold(tmp_path: Path) -> None:
    found = calendar_of(tmp_path, hours(**WEEKLY)).calendar
    assert [f"{one.opens:%a %H:%M}" for one in found.openings(date(2026, 3, 2), 7)] == ["Tue 10:00"]


def test_a_calendar_file_beside_hours_toml_gives_the_openings(tmp_path: Path) -> None:
    (tmp_path / "hours.ics").write_text(EVENT)
    found = calendar_of(tmp_path, hours()).calendar
    assert [f"{one.opens:%a %H:%M}" for one in found.openings(date(2026, 3, 2), 7)] == ["Wed 12:00"]


def test_hours_that_never_open_and_no_calendar_file_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ProblemError, match=r"Nothing says when the house is open, and there is no hours\.ics"):
        calendar_of(tmp_path, hours())
    once = hours(exception=[{"date": "2026-03-04", "open": ["12:00-14:00"]}])
    assert calendar_of(tmp_path, once).calendar.openings(date(2026, 3, 4), 1)


def test_two_files_with_everyday_hours_are_refused(tmp_path: Path) -> None:
    (tmp_path / "hours.ics").write_text(EVENT)
    with pytest.raises(ProblemError, match=r"Both this file and hours\.ics say when the house is open"):
        calendar_of(tmp_path, hours(**WEEKLY))


def test_the_terms_of_private_views_in_both_files_are_known_with_their_places(tmp_path: Path) -> None:
    view = {"date": "2026-12-24", "open": ["19:00-21:00"], "trim_db": -3}
    said = "SUMMARY:Preview\nDESCRIPTION:trim: -6 dB\\nperformances: second-batch"
    (tmp_path / "hours.ics").write_text(EVENT.replace("SUMMARY:Open", said))
    assert calendar_of(tmp_path, hours(private_view=[view])).terms == {
        EventTerms(-6.0, ("second-batch",)): "hours.ics: line 4",
        EventTerms(-3.0): "hours.toml: private_view[1]",
    }


def test_a_private_view_of_the_calendar_file_stands_beside_an_exception(tmp_path: Path) -> None:
    closed = {"date": "2026-03-04", "open": []}
    (tmp_path / "hours.ics").write_text(EVENT.replace("SUMMARY:Open", "SUMMARY:Preview"))
    found = calendar_of(tmp_path, hours(exception=[closed])).calendar
    assert [f"{one.opens:%a %H:%M}" for one in found.openings(date(2026, 3, 2), 7)] == ["Wed 12:00"]


def test_the_terms_that_days_give_to_events_are_known_to_the_plan(tmp_path: Path) -> None:
    """The day's trim is the quieter for one event, and its own for the other."""
    quiet = {"weekday": "wed", "trim_db": -6, "performances": ["second-batch"]}
    loud = EVENT.replace("SUMMARY:Open", "SUMMARY:Open\nDESCRIPTION:trim: -3 dB")
    (tmp_path / "hours.ics").write_text(loud)
    found = calendar_of(tmp_path, hours(exception=[quiet]))
    held = {one.terms for one in found.calendar.openings(date(2026, 3, 2), 7)}
    assert held == {EventTerms(-6.0, ("second-batch",))}
    assert held < set(found.terms)
    assert EventTerms(-3.0) in found.terms
