"""A running daemon whose curator saves other hours."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from residue.runtime.journal.log import FILE_NAME
from residue.runtime.journal.reading import LogReader
from tests.runtime.asking import until
from tests.runtime.daemon.test_daemon import events
from tests.runtime.running import Daemon
from tests.schedule.test_calendar_fetch import sends, server

EVER = datetime(2000, 1, 1, tzinfo=UTC)
pytestmark = pytest.mark.real_time


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Daemon]:
    one = Daemon(tmp_path)
    one.start("--device", "silent")
    yield one
    one.end()


def test_hours_that_are_saved_while_it_plays_are_taken_or_refused_with_a_word(running: Daemon) -> None:
    hours = running.installation / "hours.toml"
    always = hours.read_text()
    until(running.port, lambda told: told["house"] == "playing")

    hours.write_text(always.replace("24:00", "09:00").replace("00:00", "18:00"))
    refused = until(running.port, lambda told: "refused" in str(told["health"]["alarms"]))
    assert refused["house"] == "playing", "the old hours stay in force"
    assert "Did you mean 09:00-18:00?" in str(refused["health"]["alarms"])

    other_day = f"{datetime.now(UTC) + timedelta(days=3):%a}".lower()
    closed_today = (line for line in always.splitlines() if "24:00" not in line or line.startswith(other_day))
    hours.write_text("\n".join(closed_today))
    closed = until(running.port, lambda told: told["house"] == "closed")
    assert "refused" not in str(closed["health"]["alarms"])

    hours.write_text(always.replace('"first-batch", ', ""))
    until(running.port, lambda told: told["house"] == "playing" and told["performance"] == "second-batch")
    assert events_of("hours", running) == [
        "The new hours are refused, and the old ones stay in force",
        "The new hours are in force",
        "The new hours are in force",
    ]
    digests = [row.digest for row in LogReader(running.state / FILE_NAME).hours_between(EVER, datetime.now(UTC))]
    assert len(dict.fromkeys(digests)) == 3, "the report knows which hours were in force"


def test_hours_that_are_refused_at_a_start_are_told_within_the_run(tmp_path: Path) -> None:
    """What stood between an end and the next start would make a cut of it, and the house quieter for that."""
    one = Daemon(tmp_path)
    for broken in (False, True):
        if broken:
            (one.installation / "hours.toml").write_text("the ovens are cold")
        process = one.start("--device", "silent", "--for-s", "0.5")
        _, errors = process.communicate(timeout=200)
        assert process.returncode == 0, errors
    one.end()
    kinds = [kind for kind, *_ in events(one.state)]
    second_run = kinds[kinds.index("ended") + 1 :]
    assert second_run[0] == "started"
    assert "hours" in second_run


def events_of(kind: str, running: Daemon) -> list[str]:
    """The first sentence of each event of a kind."""
    return [text.split(".")[0] for one, text, _ in events(running.state) if one == kind]


CALENDAR = """BEGIN:VCALENDAR\r
VERSION:2.0\r
PRODID:-//bakery//EN\r
BEGIN:VEVENT\r
UID:1\r
DTSTAMP:20260101T000000Z\r
DTSTART:20260101T000000\r
DTEND:20260102T000000\r
RRULE:FREQ=DAILY{rule}\r
END:VEVENT\r
END:VCALENDAR\r
"""


@pytest.mark.machine
@pytest.mark.timeout(600)
def test_a_calendar_that_never_ends_is_refused_and_the_house_answers_meanwhile(running: Daemon) -> None:
    """Takes all of the processor time that a calendar may have, hence not among the quick ones."""
    hours, calendar = running.installation / "hours.toml", running.installation / "hours.ics"
    until(running.port, lambda told: told["house"] == "playing")
    calendar.write_text(CALENDAR.format(rule=""), newline="")
    hours.write_text("\n".join(line for line in hours.read_text().splitlines() if "24:00" not in line))
    until(running.port, lambda _: events_of("hours", running)[-1:] == ["The new hours are in force"])

    calendar.write_text(CALENDAR.format(rule=";INTERVAL=0"), newline="")
    answers = 0

    def refused(told: dict[str, object]) -> bool:
        nonlocal answers
        answers += 1
        assert told["house"] in {"opening", "playing", "resting"}
        return "too much time" in str(told["health"])

    until(running.port, refused, patience_s=120.0)
    assert answers > 20, "it answered all the while"


def test_a_folder_for_the_curator_is_answered_in_and_a_calendar_of_the_web_counts(tmp_path: Path) -> None:
    one, shared = Daemon(tmp_path), tmp_path / "shared"
    shared.mkdir()
    hours = (one.installation / "hours.toml").read_text()
    weekly = hours[hours.index("[weekly]") : hours.index("[programme]")]
    (shared / "hours.toml").write_text(hours.replace(weekly, ""))
    (one.installation / "hours.toml").unlink()
    past = CALENDAR.replace("RRULE:FREQ=DAILY{rule}\r\n", "")
    (shared / "hours.ics").write_bytes(past.encode())
    room = one.installation / "room.toml"
    with server(sends(CALENDAR.format(rule="").encode())) as url:
        named = f'[hours_folder]\npath = "{shared}"\ncalendar_url = "{url}/house.ics"\nwithout_encryption = true\n'
        room.write_text(f"{room.read_text()}\n{named}")
        one.start("--device", "silent")
        until(one.port, lambda told: told["house"] == "playing")
        until(one.port, lambda _told: "00:00 to 24:00" in (shared / "hours-answer.txt").read_text())
        one.end()
    answer = (shared / "hours-answer.txt").read_text()
    assert "TAKEN" in answer
    assert "hours.ics is fetched from localhost every 15 min." in answer


@pytest.mark.long
def test_a_server_of_calendars_that_does_not_answer_keeps_no_house_from_ending(tmp_path: Path) -> None:
    """Within TimeoutStopSec of the unit: systemd would kill it then."""
    one, shared, asked = Daemon(tmp_path), tmp_path / "shared", threading.Event()
    shared.mkdir()

    def answers_late(_asked: object) -> None:
        asked.set()
        time.sleep(19.0)  # the fetch gives up after 20 s without a word

    (one.installation / "hours.toml").rename(shared / "hours.toml")
    room = one.installation / "room.toml"
    with server(answers_late) as url:
        named = f'[hours_folder]\npath = "{shared}"\ncalendar_url = "{url}/house.ics"\nwithout_encryption = true\n'
        room.write_text(f"{room.read_text()}\n{named}")
        process = one.start("--device", "silent")
        try:
            assert asked.wait(60.0)
            process.send_signal(signal.SIGTERM)
            assert process.wait(15.0) == 0
        finally:
            one.end()
