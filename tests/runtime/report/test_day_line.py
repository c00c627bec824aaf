"""The line about a day, of a log that a test wrote."""

from __future__ import annotations

import subprocess
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from residue.processes import command_of
from residue.runtime.journal.event_kinds import NOT_PROVEN, PROVEN
from residue.runtime.journal.log import FILE_NAME, EventRow, timestamp
from residue.runtime.journal.reading import LogReader
from residue.runtime.report.day_line import day_line
from residue.runtime.report.days import days
from residue.runtime.report.house import house_of
from tests.runtime.logged_days import write_day

NIGHT_DOUGH = Path(__file__).parents[3] / "archives" / "night-dough"
DAY = date(2026, 12, 3)  # a Thursday: 10:00-12:30 and 13:00-21:00, 10.5 h
OPENS = datetime(2026, 12, 3, 9, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def log_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("state") / FILE_NAME
    write_day(path, OPENS, 1_200)  # 300 + 300 + 300 + 30 s of sound: 0.26 h
    return path


def test_it_tells_of_hours_caps_faults_and_people(log_path: Path) -> None:
    (day,) = days(house_of(NIGHT_DOUGH), LogReader(log_path), DAY, DAY, OPENS + timedelta(days=2))
    line = day_line(day)
    assert line.startswith(
        "Thu 2026-12-03: open for 10.5 h by the hours, played for 0.3 h. Every cap was kept. The log covers 3.1 %"
    )
    assert line.endswith("Faults: 1. Wishes of people: 3.")
    nearest = min((one for one in day.courses if one.highest), key=lambda one: one.cap.limit - one.highest[0])  # type: ignore[index]
    assert f"Nearest to its limit: {nearest.cap.name}, {nearest.words}." in line


@pytest.mark.parametrize(
    ("found", "told"),
    [
        ([(PROVEN, "left sounds.")], "The microphone: every output was heard. Faults: 1."),
        (
            [(PROVEN, "left sounds."), (NOT_PROVEN, "right is not heard."), (NOT_PROVEN, "right is not heard.")],
            "The microphone: right is not heard. Faults: 3.",
        ),
    ],
    ids=["all well", "one is silent"],
)
def test_what_the_microphone_heard_is_told(log_path: Path, found: list[tuple[str, str]], told: str) -> None:
    (day,) = days(house_of(NIGHT_DOUGH), LogReader(log_path), DAY, DAY, OPENS + timedelta(days=2))
    events = [EventRow(utc=timestamp(OPENS), kind=kind, text=text, sender=None) for kind, text in found]
    heard = replace(day, logged=replace(day.logged, events=[*day.logged.events, *events]))
    assert told in day_line(heard)


def test_a_day_without_a_log_is_told_as_such(log_path: Path) -> None:
    (day,) = days(house_of(NIGHT_DOUGH), LogReader(log_path), date(2026, 12, 4), date(2026, 12, 4), OPENS)
    assert "The level log has nothing of this day" in day_line(day)


def test_the_child_says_one_line_or_why_it_cannot(log_path: Path, tmp_path: Path) -> None:
    def child(installation: Path) -> subprocess.CompletedProcess[str]:
        arguments = [str(installation), str(installation), str(log_path), DAY.isoformat()]
        command = command_of("residue.runtime.report.day_line", arguments)
        return subprocess.run(command, capture_output=True, text=True, check=False)

    assert child(NIGHT_DOUGH).stdout.count("\n") == 1
    failed = child(tmp_path)
    assert failed.returncode == 1
    assert "Traceback" not in failed.stderr
