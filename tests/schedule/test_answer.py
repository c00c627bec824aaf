"""What the curator reads of it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from residue.installation.load import read_hours
from residue.problems import Finding, Severity
from residue.schedule.answer import HoursOutcome, answer

HOURS = """
time_zone = "Europe/Berlin"

[[exception]]
date = 2026-12-24
open = []
why = "Christmas Eve"

[programme]
performances = ["first-batch"]
"""
CALENDAR = """BEGIN:VCALENDAR\r
VERSION:2.0\r
PRODID:-//bakery//EN\r
BEGIN:VEVENT\r
UID:1\r
DTSTAMP:20260101T000000Z\r
DTSTART:20261204T100000\r
DTEND:20261204T180000\r
SUMMARY:Degustation\r
DESCRIPTION:trim: -6 dB\r
END:VEVENT\r
BEGIN:VEVENT\r
UID:2\r
DTSTAMP:20260101T000000Z\r
DTSTART;VALUE=DATE:20261205\r
SUMMARY:Order flour\r
END:VEVENT\r
END:VCALENDAR\r
"""
NOW = datetime(2026, 12, 3, 9, 4, tzinfo=UTC)
FAULT = Finding(Severity.STOPS, "hours.toml: weekly.tue", "'10-18' is no span.", "Write one such as 10:00-18:00.")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "hours.toml").write_text(HOURS)
    (tmp_path / "hours.ics").write_bytes(CALENDAR.encode())
    return tmp_path


def told(folder: Path, faults: Sequence[Finding] = (), **more: object) -> str:
    hours, answers, findings = read_hours(folder, {"first-batch": folder})
    assert hours is not None, findings
    assert answers is not None, findings
    outcome = HoursOutcome(at=NOW, saved={"hours.toml": NOW}, faults=faults)
    return answer("North hall, Night Dough", hours, answers, outcome, date(2026, 12, 3), **more)  # type: ignore[arg-type]


def test_hours_that_are_taken_are_told_with_what_follows_from_them(folder: Path) -> None:
    text = told(folder)
    assert "TAKEN. The house keeps to:\n- hours.toml, saved Thu 03 Dec 2026 10:04:00\n" in text
    assert "REFUSED" not in text
    assert "- Thu 03 Dec 2026  closed\n- Fri 04 Dec 2026  10:00 to 18:00  (8 h)  Degustation, 6 dB lower\n" in text
    assert text.count("2026  ") == 14
    assert "- exception 1, Christmas Eve: closed; next on Thu 24 Dec 2026.\n" in text
    assert "- Taken as open, 6 dB lower: 'Degustation'.\n" in text
    assert "- Left aside, as it lasts all day and says neither open nor closed: 'Order flour'.\n" in text


def test_hours_that_are_refused_are_told_with_each_mend_and_what_holds_instead(folder: Path) -> None:
    text = told(folder, faults=[FAULT])
    assert "REFUSED. The house keeps to the hours that it had before, and not to:\n- hours.toml, saved" in text
    assert "- hours.toml: weekly.tue: '10-18' is no span. Write one such as 10:00-18:00.\n" in text
    assert "TAKEN" not in text
    assert "- Fri 04 Dec 2026  10:00 to 18:00" in text


def test_a_thousand_faults_stay_a_page(folder: Path) -> None:
    assert told(folder, faults=[FAULT] * 1_000).count("is no span") == 9


def test_a_calendar_on_the_web_and_files_of_other_names_are_told(folder: Path) -> None:
    fetching = "hours.ics is fetched from desk.bakery.example every 15 min."
    text = told(folder, fetching=fetching, others=["hours.toml.txt"])
    assert f"\n{fetching}\n" in text
    assert "- hours.toml.txt\n" in text


def test_what_is_odd_is_pointed_out(folder: Path) -> None:
    (folder / "hours.toml").write_text(HOURS.replace("2026-12-24", "2036-12-24"))
    assert "Please look at this; it stops nothing:\n- hours.toml: exception[1]: It is far off" in told(folder)
