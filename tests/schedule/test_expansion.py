"""No calendar file, whatever a program or a joker wrote into it, takes more than a bounded time and memory."""

from __future__ import annotations

import os
from collections.abc import Iterable
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from residue.problems import ProblemError, stopping
from residue.schedule import expansion
from residue.schedule.beside import calendar_of
from residue.schedule.events import read
from residue.schedule.expansion import Bounds, expanded, kept
from residue.schedule.hours import Hours
from residue.schedule.programme import Programme

BERLIN = ZoneInfo("Europe/Berlin")
SHORT = Bounds(cpu_s=2, wait_s=60.0)
"""Long enough for a file that is meant, on a computer that others use too."""


def calendar(folder: Path, *events: Iterable[str]) -> Path:
    path = folder / "hours.ics"
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//bakery//EN"]
    for number, event in enumerate(events):
        lines += ["BEGIN:VEVENT", f"UID:{number}", "DTSTAMP:20260101T000000Z", *event, "END:VEVENT"]
    path.write_bytes("\r\n".join([*lines, "END:VCALENDAR", ""]).encode())
    return path


def weekly(number: int = 0, *more: str) -> list[str]:
    day = f"202601{1 + number % 28:02}"
    return [f"DTSTART:{day}T100000", f"DTEND:{day}T180000", "RRULE:FREQ=WEEKLY", *more]


def record_of(path: Path) -> bytes:
    record = expanded(path, BERLIN).record
    assert record is not None
    return record()


HOSTILE = {
    "a rule that never moves": [["DTSTART:20260101T100000", "DTEND:20260101T180000", "RRULE:FREQ=DAILY;INTERVAL=0"]],
    "thousands of weekly events": [weekly(number) for number in range(4_999)],
    "lists below a day": [
        [
            "DTSTART:20260101T100000",
            "DTEND:20260101T100001",
            f"RRULE:FREQ=DAILY;BYHOUR={','.join(map(str, range(24)))};BYMINUTE={','.join(map(str, range(60)))};"
            f"BYSECOND={','.join(map(str, range(60)))}",
        ]
    ],
    "rules that are never true": [
        ["DTSTART:20260101T100000", "DTEND:20260101T110000", "RRULE:FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30"]
        for _ in range(500)
    ],
}


@pytest.mark.parametrize(
    "events",
    [
        pytest.param(events, id=name, marks=() if name == "rules that are never true" else pytest.mark.long)
        for name, events in HOSTILE.items()
    ],
)
def test_a_hostile_calendar_is_refused_in_one_line(tmp_path: Path, events: list[list[str]]) -> None:
    path = calendar(tmp_path, *events)
    with pytest.raises(ProblemError) as refused:
        expanded(path, BERLIN, bounds=SHORT).said(date(2026, 3, 1), 28)
    [finding] = refused.value.findings
    assert "\n" not in str(finding)
    assert finding.where.startswith("hours.ics")
    assert finding.mend


@pytest.mark.parametrize(
    "part",
    ["<", "1,", *(pytest.param(part, marks=pytest.mark.long) for part in (" ", "1", "- ", "a:", "lower ", "&nbsp;"))],
)
def test_a_long_description_is_no_trouble(tmp_path: Path, part: str) -> None:
    path = calendar(tmp_path, weekly(0, "SUMMARY:private view", "DESCRIPTION:" + part * (1_000_000 // len(part))))
    assert expanded(path, BERLIN).said(date(2026, 3, 1), 28)


def test_the_child_says_what_the_libraries_say(tmp_path: Path) -> None:
    """Over the edge of its chunks of two years, and over a night that no edge may cut."""
    night = ["DTSTART:20251231T200000", "DTEND:20260101T040000", "SUMMARY:New Year"]
    path = calendar(tmp_path, weekly(1), night, ["DTSTART:20240101T100000", "DTEND:20240101T120000"])
    here, there = read(path, BERLIN), expanded(path, BERLIN)
    for first, days in [
        (date(2023, 12, 30), 5),
        (date(2025, 12, 31), 1),
        (date(2026, 1, 1), 1),
        (date(2025, 12, 1), 60),
    ]:
        known = sorted(here.said(first, days), key=lambda one: (one.piece.opens, one.piece.closes))
        assert sorted(there.said(first, days), key=lambda one: (one.piece.opens, one.piece.closes)) == known
    assert (there.digest, there.terms, there.findings) == (here.digest, here.terms, here.findings)


def test_openings_that_are_kept_need_no_child(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = calendar(tmp_path, weekly())
    found = expanded(path, BERLIN)
    assert found.record is not None
    (tmp_path / expansion.FILE_NAME).write_bytes(found.record())
    monkeypatch.setattr(expansion, "_asked", None)
    again = kept(path, BERLIN)
    assert again is not None
    assert again.everyday(date.today(), 14) == found.everyday(date.today(), 14)  # noqa: DTZ011 - any day that is kept


def test_further_years_are_kept_with_the_others(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, later = calendar(tmp_path, weekly()), date(date.today().year + 4, 3, 1)  # noqa: DTZ011 - any later year
    found = expanded(path, BERLIN)
    assert found.record is not None
    there = found.everyday(later, 28)
    (tmp_path / expansion.FILE_NAME).write_bytes(found.record())
    monkeypatch.setattr(expansion, "_asked", None)
    again = kept(path, BERLIN)
    assert again is not None
    assert again.everyday(later, 28) == there != []


def test_further_years_do_not_come_from_another_file(tmp_path: Path) -> None:
    path, later = calendar(tmp_path, weekly()), date(date.today().year + 4, 3, 1)  # noqa: DTZ011 - any later year
    found = expanded(path, BERLIN)
    calendar(tmp_path, weekly(1), weekly(2))
    with pytest.raises(ProblemError, match="changed after it was read"):
        found.everyday(later, 28)


def test_a_house_that_plays_takes_years_that_are_refused_to_be_without_openings(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each look of its loop would end it, and each start again; one child a day is asked, and the curator is told."""
    calendar(tmp_path, weekly())
    hours = Hours(time_zone="Europe/Berlin", programme=Programme(performances=("first-batch",)))
    answers = calendar_of(tmp_path, hours)
    asked: list[int] = []

    def too_long(*_: object) -> None:
        asked.append(1)
        raise stopping("hours.ics", "It takes too much time.", "Simplify what repeats.")

    monkeypatch.setattr(expansion, "_asked", too_long)
    later = datetime(date.today().year + 4, 3, 1, 12, tzinfo=BERLIN)  # noqa: DTZ011 - any later year
    for _ in range(3):
        assert answers.calendar.opening_at(later) is None
        assert answers.calendar.next_change(later) is None
        with pytest.raises(ProblemError, match="too much time"):
            answers.calendar.openings(later.date(), 1)
    assert asked == [1]
    monkeypatch.undo()
    assert answers.events is not None
    assert answers.events.ask_again is not None
    answers.events.ask_again()
    assert answers.calendar.next_change(later) is not None


def test_years_that_are_refused_take_no_day_of_the_years_beside_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Years of a calendar file are worked out by twos, from an even one on."""
    calendar(tmp_path, ["DTSTART:20200101T120000", "DTEND:20200101T140000", "RRULE:FREQ=DAILY"])
    hours = Hours(time_zone="Europe/Berlin", programme=Programme(performances=("first-batch",)))
    year = date.today().year // 2 * 2 + 2  # noqa: DTZ011 - any even year
    answers, ask = calendar_of(tmp_path, hours), expansion._asked

    def some(*asked: Any) -> expansion.Expansion:
        if asked[4] == year:
            raise stopping("hours.ics", "It takes too much time.", "Simplify what repeats.")
        return ask(*asked)

    monkeypatch.setattr(expansion, "_asked", some)
    for first, days in ((date(year - 1, 12, 1), 31), (date(year + 2, 1, 1), 31)):
        assert len(answers.calendar.openings(first, days)) == days
    for day in (date(year, 1, 1), date(year + 1, 12, 31)):
        with pytest.raises(ProblemError, match="too much time"):
            answers.calendar.openings(day, 1)
    last = datetime.combine(date(year - 1, 12, 31), time(13), BERLIN)
    assert answers.calendar.opening_at(last) is not None
    assert answers.calendar.opening_at(last + timedelta(days=1)) is None
    again = datetime.combine(date(year + 2, 1, 1), time(12), BERLIN)
    assert answers.calendar.next_change(again - timedelta(days=9)) == again


def test_a_performance_that_is_gone_does_not_stop_the_later_years_of_hours_in_force(tmp_path: Path) -> None:
    """The house runs on these hours for years, and a start without a person has no others."""
    path = calendar(tmp_path, weekly(0, "SUMMARY:open", "DESCRIPTION:performances: late-batch"))
    found = expanded(path, BERLIN, ["first-batch", "late-batch"])
    assert found.record is not None
    (tmp_path / expansion.FILE_NAME).write_bytes(found.record())
    with pytest.raises(ProblemError, match="late-batch"):  # a start by a person names it
        expanded(path, BERLIN, ["first-batch"])
    hours = Hours(time_zone="Europe/Berlin", programme=Programme(performances=("first-batch",)))
    in_force = calendar_of(tmp_path, hours, ["first-batch"])
    assert in_force.calendar.openings(date(date.today().year + 4, 3, 1), 28)  # noqa: DTZ011 - beyond what is kept


@pytest.mark.parametrize("change", ["calendar", "record", "zone"])
def test_kept_openings_of_something_else_do_not_count(tmp_path: Path, change: str) -> None:
    path = calendar(tmp_path, weekly())
    record = record_of(path)
    (tmp_path / expansion.FILE_NAME).write_bytes(record if change != "record" else record[:-20] + record[-19:])
    if change == "calendar":
        calendar(tmp_path, weekly(), weekly(1))
    assert kept(path, ZoneInfo("Asia/Tokyo") if change == "zone" else BERLIN) is None


def test_a_pipe_in_the_place_of_a_calendar_makes_nobody_wait(tmp_path: Path) -> None:
    path = calendar(tmp_path, weekly())
    (tmp_path / expansion.FILE_NAME).write_bytes(record_of(path))
    path.unlink()
    os.mkfifo(path)
    assert kept(path, BERLIN) is None
    with pytest.raises(ProblemError, match="not a regular file"):
        expanded(path, BERLIN)
