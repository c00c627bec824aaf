"""The curator's first hour: hours by hand and from a calendar program, each mistake mended by its message alone."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from icalendar import Calendar, Event

from tests.first_hour.person import Person
from tests.runtime import kitchen

BERLIN = ZoneInfo("Europe/Berlin")


@pytest.fixture
def curator(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Person:
    """In the folder that the technician shares, with the artist's two evenings and the hours of `residue new`."""
    kitchen.build(tmp_path, 47_399, duration_s=0.2)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    person = Person(tmp_path)
    person.types("residue new empty")
    (tmp_path / "short-dough" / "hours.toml").write_text(person.reads("empty/hours.toml"), encoding="utf-8")
    return person


def test_hours_are_written_by_hand_and_three_mistakes_mended_by_their_messages(curator: Person) -> None:
    curator.writes(
        "short-dough/hours.toml",
        ('"Europe/Berlin"', '"Europe/Berln"'),
        ("# [[exception]]\n# date = 2026-12-24\n# open = []", "[[exception]]\ndate = 24.12.2026\nopen = []"),
        ('sat = ["10:00-18:00"]', 'sta = ["10:00-18:00"]'),
        ('performances = ["first-evening"]', 'performances = ["first-batch", "secnd-batch"]'),
    )
    told = curator.mends("short-dough", curator.types(HOURS, status=1))  # TOML that cannot be read comes alone
    told += curator.mends("short-dough", curator.types(HOURS, status=1))
    assert len(told) == 4
    days = curator.types(HOURS).splitlines()
    assert days[:3] == [
        "Wed 23 Dec 2026  10:00 to 18:00  (8 h)  weekly hours",
        "Thu 24 Dec 2026  closed",
        "Fri 25 Dec 2026  10:00 to 18:00  (8 h)  weekly hours",
    ]
    assert "Plays first-batch, second-batch, in this order." in days
    assert "It can open." in curator.types("residue check short-dough")


HOURS = "residue hours short-dough --from 2026-12-23 --days 3"


def calendar() -> bytes:
    """What another program exports: open three days a week, a closed day misspelt, a level in words of one's own."""
    made = Calendar({"prodid": "-//Bakery museum//calendar//EN", "version": "2.0"})
    week = {"freq": "weekly", "byday": ["tu", "we", "th"]}
    events: list[tuple[str, date, date, dict[str, Any]]] = [
        ("Museum", datetime(2026, 12, 1, 10, tzinfo=BERLIN), datetime(2026, 12, 1, 18, tzinfo=BERLIN), {"rrule": week}),
        ("Geschlosen", date(2026, 12, 8), date(2026, 12, 9), {}),
        (
            "Late night",
            datetime(2026, 12, 10, 19, tzinfo=BERLIN),
            datetime(2026, 12, 10, 22, tzinfo=BERLIN),
            {"description": "leiser: -9 dB"},
        ),
    ]
    for title, begins, ends, more in events:
        event = Event()
        event.add("uid", f"{title}@bakery.example")
        event.add("dtstamp", datetime(2026, 11, 1, tzinfo=BERLIN))
        event.add("summary", title)
        event.add("dtstart", begins)
        event.add("dtend", ends)
        for key, value in more.items():
            event.add(key, value)
        made.add_component(event)
    return bytes(made.to_ical())


def test_a_calendar_of_another_program_is_taken_and_three_mistakes_mended_by_their_messages(curator: Person) -> None:
    (curator.folder / "short-dough" / "hours.ics").write_bytes(calendar())
    curator.writes("short-dough/hours.toml", ('["first-evening"]', '["first-batch"]'))
    command = "residue hours short-dough --from 2026-12-07 --days 4"
    told = curator.mends("short-dough", curator.types(command, status=1))
    told += curator.mends("short-dough", curator.types(command, status=1))
    assert len(told) == 3  # the weekly hours of the other file, and two events
    shown = curator.types(command).splitlines()
    assert shown[:3] == [
        "hours.ics: Taken as open: 'Museum'.",
        "hours.ics: Taken as closed: 'geschlossen'.",
        "hours.ics: Taken as open, 9 dB lower: 'Late night'.",
    ]
    assert shown[3:8] == [
        "Mon 07 Dec 2026  closed",
        "Tue 08 Dec 2026  closed",
        "Wed 09 Dec 2026  10:00 to 18:00  (8 h)  Museum",
        "Thu 10 Dec 2026  10:00 to 18:00  (8 h)  Museum",
        "Thu 10 Dec 2026  19:00 to 22:00  (3 h)  Late night, 9 dB lower",
    ]
    assert "It can open." in curator.types("residue check short-dough")
