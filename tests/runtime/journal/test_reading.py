"""A log is read as far as it can be read."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import inf
from pathlib import Path

import msgspec
import pytest

from residue.runtime.journal.hours_in_force import HoursRow, HoursSaid
from residue.runtime.journal.log import EventRow, LevelLog, timestamp
from residue.runtime.journal.reading import LogReader
from residue.runtime.journal.tallies import Tallies
from residue.runtime.system.clock import Uptime
from residue.schedule.programme import Programme
from tests.runtime.tallied import THEN, tally

BEGIN = datetime(2026, 12, 3, 9, 0, tzinfo=UTC)
EVENTS = 2_000


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "levels.sqlite"
    with closing(LevelLog(path)) as log:
        log.write([event(n) for n in range(EVENTS)])
        log.write([hours(-3_600, "of the day before"), hours(60, "of a minute later"), hours(9_000, "of the next day")])
        log.let_go()  # so that all of it stands in the one file
    return path


def at(second: int) -> str:
    return timestamp(BEGIN + timedelta(seconds=second))


def event(n: int) -> EventRow:
    return EventRow(utc=at(n), kind="hold", text=f"number {n}")


def hours(second: int, digest: str) -> HoursRow:
    said = HoursSaid(
        zone="UTC",
        first=BEGIN.date(),
        last=BEGIN.date(),
        openings=(),
        programme=Programme(performances=("first-batch",)),
        duration_s={},
    )
    return HoursRow(utc=at(second), digest=digest, said=msgspec.json.encode(said).decode())


def read(path: Path) -> tuple[list[EventRow], list[str]]:
    reader = LogReader(path)
    return list(reader.between(BEGIN - timedelta(seconds=1), BEGIN + timedelta(days=1)).events), reader.faults


def test_a_whole_log_is_read_whole(path: Path) -> None:
    assert read(path) == ([event(n) for n in range(EVENTS)], [])


def test_the_hours_that_were_in_force_at_the_beginning_come_first(path: Path) -> None:
    found = LogReader(path).hours_between(BEGIN, BEGIN + timedelta(hours=2))
    assert [row.digest for row in found] == ["of the day before", "of a minute later"]


def test_of_a_log_with_a_damaged_page_what_lies_before_and_behind_is_read(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        (size,) = connection.execute("PRAGMA page_size").fetchone()
    content = bytearray(path.read_bytes())
    middle = content.index(b"number 1000") // size * size
    content[middle : middle + size] = bytes(size)
    path.write_bytes(content)
    found, faults = read(path)
    assert {0, 1, EVENTS - 1} <= {int(row.text.split()[1]) for row in found}
    assert 0 < EVENTS - len(found) < EVENTS / 4
    assert "levels.sqlite is damaged" in faults[0]


@pytest.mark.parametrize(
    "flipped",
    [
        pytest.param("'2026-12-03T09:9' || substr(utc, 16)", id="another minute"),
        pytest.param("substr(utc, 1, 23)", id="without a zone"),
    ],
)
def test_a_row_with_a_flipped_bit_is_left_out_and_told(path: Path, flipped: str) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(f"UPDATE event SET utc = {flipped} WHERE text = 'number 7'")
    found, faults = read(path)
    assert len(found) == EVENTS - 1
    assert faults == ["levels.sqlite has damaged rows, which are left out."]


@pytest.mark.parametrize(
    ("table", "flipped"),
    [
        pytest.param("level", "duration_s = NULL", id="no duration"),
        pytest.param("level", "physical = NULL", id="no kind of level"),
        pytest.param("level", "laeq_db = 9e999", id="an infinite level"),
        pytest.param("level", "outputs = '[]'", id="outputs that are a list"),
        pytest.param("level", """outputs = '{"left": {"laeq_db": "loud"}}'""", id="a level that is a word"),
        pytest.param("level", "outputs = NULL", id="no outputs"),
        pytest.param("second", "sent = 'null'", id="nothing sent"),
        pytest.param("second", """sent = '{"A at place": [1]}'""", id="a level that is a list"),
        pytest.param("second", "boot = NULL", id="no boot"),
        pytest.param("event", "kind = NULL", id="no kind of event"),
        pytest.param("hours", "said = '{}'", id="hours that say nothing"),
    ],
)
def test_a_value_that_no_house_writes_is_left_out_and_told(path: Path, table: str, flipped: str) -> None:
    rows = list(Tallies().rows(tally(60.0, 61.0), BEGIN, Uptime("boot", 60.0), THEN))
    with closing(LevelLog(path)) as log:
        log.write(rows)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(f"UPDATE {table} SET {flipped} WHERE rowid = 1")
    reader, day = LogReader(path), (BEGIN - timedelta(days=1), BEGIN + timedelta(days=1))
    found = reader.between(*day)
    read = {"level": found.minutes, "second": found.seconds, "event": found.events}
    read["hours"] = reader.hours_between(*day)
    lacking = [name for name, number in NUMBERS.items() if len(read[name]) < number]
    assert lacking == [table]
    assert reader.faults == ["levels.sqlite has damaged rows, which are left out."]


def test_a_minute_in_which_the_governor_took_everything_away_is_no_damage(path: Path) -> None:
    """As after a lost log: the minutes for which somebody may have to answer are those."""
    silenced = replace(tally(60.0, -200.0), governor_db=-inf)
    with closing(LevelLog(path)) as log:
        log.write(list(Tallies().rows(silenced, BEGIN, Uptime("boot", 60.0), THEN)))
    reader = LogReader(path)
    [minute] = reader.between(BEGIN - timedelta(hours=1), BEGIN + timedelta(hours=1)).minutes
    assert (minute.governor_gain_db, reader.faults) == (-inf, [])


NUMBERS = {"level": 1, "second": 1, "event": EVENTS, "hours": 3}


def test_the_log_that_was_set_aside_is_read_too(path: Path) -> None:
    path.replace(path.with_name("levels.sqlite.spoilt"))
    with closing(LevelLog(path)) as log:
        log.write([event(EVENTS)])
    assert [row.text for row in read(path)[0]][-2:] == [f"number {EVENTS - 1}", f"number {EVENTS}"]


def test_a_log_of_a_version_without_hours_has_none(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DROP TABLE hours")
    reader = LogReader(path)
    assert reader.hours_between(BEGIN, BEGIN + timedelta(days=1)) == []
    assert reader.last_hours() is None
    assert reader.faults == []


def test_nothing_is_made_where_there_is_no_log(tmp_path: Path) -> None:
    assert read(tmp_path / "levels.sqlite") == ([], [])
    assert list(tmp_path.iterdir()) == []
