from __future__ import annotations

from datetime import date
from pathlib import Path

import msgspec
import pytest

from residue.problems import ProblemError
from residue.schedule.beside import calendar_of
from residue.schedule.hours import Hours

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
    found, _ = calendar_of(tmp_path, hours(**WEEKLY))
    assert [f"{one.opens:%a %H:%M}" for one in found.openings(date(2026, 3, 2), 7)] == ["Tue 10:00"]


def test_a_calendar_file_beside_hours_toml_gives_the_openings(tmp_path: Path) -> None:
    (tmp_path / "hours.ics").write_text(EVENT)
    found, _ = calendar_of(tmp_path, hours())
    assert [f"{one.opens:%a %H:%M}" for one in found.openings(date(2026, 3, 2), 7)] == ["Wed 12:00"]


def test_two_files_with_everyday_hours_are_refused(tmp_path: Path) -> None:
    (tmp_path / "hours.ics").write_text(EVENT)
    with pytest.raises(ProblemError, match=r"Both this file and hours\.ics say when the house is open"):
        calendar_of(tmp_path, hours(**WEEKLY))


def test_a_private_view_on_a_closed_day_is_pointed_out(tmp_path: Path) -> None:
    closed = {"date": "2026-12-24", "open": []}
    view = {"date": "2026-12-24", "open": ["19:00-21:00"]}
    openings, [finding] = calendar_of(tmp_path, hours(exception=[closed], private_view=[view]))
    assert str(finding) == (
        "hours.toml: 2026-12-24 is closed by an exception, and has a private view. "
        "It will be open for that; take one of them out if it is not meant."
    )
    assert [f"{one.opens:%H:%M}" for one in openings.openings(date(2026, 12, 24), 1)] == ["19:00"]
