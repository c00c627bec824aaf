from __future__ import annotations

import json
import math
import os
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import cast

import msgspec
import pytest

from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.caps.ears import ear_of
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.budget import HOP_UNITS, Budget
from residue.loudness.stage.history import (
    SPARED_SHARE,
    UNTOLD_SHARE,
    LimitThen,
    LogLag,
    SentHistory,
    Unlogged,
    limits_in,
)
from residue.runtime.journal import log_writer
from residue.runtime.journal.event_kinds import ENDED, LOG_DAMAGED, NOT_LOGGED, SPOILT, STARTED
from residue.runtime.journal.log import MOST, EventRow, LevelLog, LevelRow, Row, SecondRow
from residue.runtime.journal.log import timestamp as stamp
from residue.runtime.journal.log_writer import RETRY_S, LogWriter
from residue.runtime.journal.reading import LogReader
from residue.runtime.journal.second_copy import FILE_NAME as SECOND_COPY
from residue.runtime.journal.tallies import Tallies
from residue.runtime.journal.telling import UNLOGGED_MOST_S
from residue.runtime.system.clock import Uptime, uptime
from residue.runtime.system.folders import MEMORY_FILE
from tests.runtime.tallied import THEN, tally

NOW = datetime(2026, 11, 25, 14, 0, tzinfo=UTC)
UP = Uptime("this boot", 100_000.0)
END = EventRow(utc=stamp(NOW), kind=ENDED, text="")


def minute(age_s: float, laeq: float = 61.0) -> LevelRow:
    tallies = Tallies()
    rows = list(tallies.rows(tally(60.0, laeq), NOW - timedelta(seconds=age_s), UP, THEN))
    return next(row for row in rows if isinstance(row, LevelRow))


def second(age_s: float, laeq: float = 61.0, boot: str = UP.boot) -> SecondRow:
    up = Uptime(boot, UP.seconds - age_s)
    [row] = Tallies().rows(tally(1.0, laeq), NOW - timedelta(seconds=age_s), up, THEN)
    assert isinstance(row, SecondRow)
    return row


def test_a_row_tells_the_limits_in_force_and_an_earlier_version_reads_it(log: LevelLog) -> None:
    """It decodes a table of levels by ear, and looks for the ears that it knows."""
    limits = (LimitThen("A at place, dB, at most", 900.0, 97.9), LimitThen("Wk at floor, dB re 1 m/s²", 1.5, -20.0))
    [row] = Tallies().rows(replace(tally(1.0, 61.0), limits=limits), NOW - timedelta(seconds=5), UP, THEN)
    assert isinstance(row, SecondRow)
    assert msgspec.json.decode(row.sent, type=dict[str, float | None])["A at place, dB, at most"] == 61.0
    log.write([EventRow(utc=stamp(NOW), kind=STARTED, text=""), replace(row, up_s=UP.seconds - 5.0)])
    found = log.sent_before(NOW, UP, 900.0)
    assert [one.limits for one in (*found.unlogged, *found.spared)] == [limits, limits]


def test_limits_are_told_where_they_change_and_from_time_to_time() -> None:
    """In each row they would make the log half as large again."""
    loose, strict = ((LimitThen("A at place, dB, at most", 900.0, level),) for level in (100.0, 80.0))
    tallies, told = Tallies(), []
    for second_s in range(100):
        in_force = loose if second_s < 40 else strict
        [row, *_] = tallies.rows(replace(tally(1.0, 61.0), limits=in_force), NOW, UP, THEN)
        assert isinstance(row, SecondRow)
        told.append(tuple(limits_in(json.loads(row.sent))))
    assert {number: one for number, one in enumerate(told) if one} == {0: loose, 30: loose, 40: strict, 70: strict}


def test_what_no_row_tells_has_the_limits_that_were_told_last_before_it(log: LevelLog) -> None:
    """Also where a row without limits lies between."""
    loose, strict = ((LimitThen("A at place, dB, at most", 900.0, level),) for level in (100.0, 80.0))
    tallies = Tallies()
    rows: list[Row] = [EventRow(utc=stamp(NOW - timedelta(seconds=900)), kind=STARTED, text="")]
    for age_s, limits in ((890, loose), (889, loose), (500, strict), (499, strict)):
        up = Uptime(UP.boot, UP.seconds - age_s)
        told = replace(tally(1.0, 61.0), limits=limits)
        rows += tallies.rows(told, NOW - timedelta(seconds=age_s), up, THEN)
        if age_s == 889:
            at = stamp(NOW - timedelta(seconds=600))
            rows.append(EventRow(utc=at, kind=STARTED, text="", boot=UP.boot, up_s=UP.seconds - 600.0))
    log.write(rows)
    found = log.sent_before(NOW, UP, 600.5)
    assert [(one.age_s, one.limits) for one in found.unlogged] == [(464.0, strict), (600.0, loose)]


def test_the_limits_are_logged_before_a_house_has_sent_anything() -> None:
    tallies, limits = Tallies(), (LimitThen("A at place, dB, at most", 900.0, 97.9),)
    [row] = tallies.rows(replace(tally(0.0, -math.inf), limits=limits), NOW, UP, THEN)
    assert isinstance(row, SecondRow)
    assert (tuple(limits_in(json.loads(row.sent))), row.duration_s, tallies.told_frames) == (limits, 0.0, 0)
    assert list(tallies.rest()) == []


def unlogged_s(history: SentHistory) -> float:
    """How long before the start nothing was logged."""
    latest = history.unlogged[0]
    assert latest.age_s == 0.0
    return latest.duration_s


@pytest.fixture
def log(tmp_path: Path) -> Iterator[LevelLog]:
    with closing(LevelLog(tmp_path / "levels.sqlite")) as log:
        yield log


def test_rows_can_be_read_by_any_program_that_opens_sqlite(log: LevelLog, tmp_path: Path) -> None:
    log.write(
        [minute(0), minute(60, -math.inf), EventRow(utc=stamp(NOW), kind="hold", text="Asked for.", sender="10.0.0.7")]
    )
    with closing(sqlite3.connect(tmp_path / "levels.sqlite")) as reader:
        (mode,) = reader.execute("PRAGMA journal_mode").fetchone()
        levels = reader.execute("SELECT utc, laeq_db, lceq_db, lc_peak_db, plan_gain_db, limiter_gain_db FROM level")
        events = reader.execute("SELECT kind, sender FROM event").fetchall()
        assert mode == "wal"
        assert levels.fetchall() == [
            ("2026-11-25T14:00:00.000+00:00", 61.0, 69.0, 83.0, -3.0, -1.5),
            ("2026-11-25T13:59:00.000+00:00", None, None, None, -3.0, -1.5),
        ]
        assert events == [("hold", "10.0.0.7")]


@pytest.mark.parametrize("damaged", ["'no time'", "substr(utc, 1, 23)", "NULL"])
@pytest.mark.parametrize("copied", [True, False])
def test_a_damaged_moment_in_a_row_ends_no_logging(tmp_path: Path, damaged: str, *, copied: bool) -> None:
    """SQLite reports no flipped bit within a row."""
    path = tmp_path / "levels.sqlite"
    with closing(LevelLog(path)) as before:
        before.write([EventRow(utc=stamp(NOW), kind=STARTED, text="", boot=UP.boot, up_s=1.0), second(0)])
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(f"UPDATE second SET utc = {damaged}")
    if not copied:
        (tmp_path / SECOND_COPY).unlink()
    with closing(LevelLog(path)) as after:
        after.write([EventRow(utc=stamp(NOW), kind=STARTED, text="again")])
    with closing(sqlite3.connect(path)) as connection:
        told = [kind for (kind,) in connection.execute("SELECT kind FROM event ORDER BY rowid")]
    assert told == [STARTED, *([NOT_LOGGED] if copied else []), STARTED], "the second copy tells what is not logged"


@pytest.mark.parametrize("at", [18, 19, 44, 45, 46, 47])
def test_a_header_of_a_version_that_does_not_exist_ends_no_logging(tmp_path: Path, at: int) -> None:
    """SQLite takes it for a file of its future, and would for ever. Source: sqlite.org/fileformat2.html, 1.3."""
    path, row = tmp_path / "levels.sqlite", EventRow(utc=stamp(NOW), kind=STARTED, text="")
    with closing(LevelLog(path)) as log:
        log.write([row])
    good = path.read_bytes()
    for bit in range(8):
        path.write_bytes(good[:at] + bytes([good[at] ^ 1 << bit]) + good[at + 1 :])
        with closing(LevelLog(path)) as log:
            with suppress(sqlite3.Error):
                log.write([row])
            log.write([row])
            reader = LogReader(path)
            assert reader.between(NOW - timedelta(seconds=1), NOW + timedelta(seconds=1)).events[-1] == row, bit


def test_a_flipped_bit_that_makes_a_letter_of_a_name_large_ends_no_logging(tmp_path: Path) -> None:
    """For SQLite itself that column is still there: it refuses to add one that differs in case alone."""
    path = tmp_path / "levels.sqlite"
    with closing(LevelLog(path)) as log:
        log.write([second(2)])
    path.write_bytes(path.read_bytes().replace(b"laf_max_db REAL", b"laf_Max_db REAL"))
    with closing(LevelLog(path)) as log:
        log.write([second(1)])
    told = LogReader(path).between(NOW - timedelta(seconds=3), NOW)
    assert [row.laf_max_db for row in told.seconds] == [second(2).laf_max_db] * 2


def damage_found(folder: Path) -> list[str]:
    """What the next start tells of damage."""
    with closing(LevelLog(folder / "levels.sqlite")) as again:
        again.write([EventRow(utc=stamp(NOW), kind=STARTED, text="again")])
    with closing(sqlite3.connect(folder / "levels.sqlite")) as connection:
        return [text for (text,) in connection.execute("SELECT text FROM event WHERE kind = ?", (LOG_DAMAGED,))]


@pytest.fixture
def logged_before(tmp_path: Path) -> Path:
    with closing(LevelLog(tmp_path / "levels.sqlite")) as log:
        log.write([EventRow(utc=stamp(NOW), kind=STARTED, text="", boot=UP.boot, up_s=1.0)])
        log.write([second(5 - n) for n in range(4)])
        log.write([END])
    return tmp_path


def test_a_start_tells_of_a_row_that_changed_on_the_disk(logged_before: Path) -> None:
    with closing(sqlite3.connect(logged_before / "levels.sqlite")) as connection, connection:
        connection.execute("UPDATE second SET duration_s = 2.0 WHERE rowid = 3")
    [text] = damage_found(logged_before)
    assert text.startswith("Rows of the level log that differ from its second copy: 1.")


def test_a_start_tells_of_a_line_that_changed_in_the_second_copy(logged_before: Path) -> None:
    path = logged_before / SECOND_COPY
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    [text] = damage_found(logged_before)
    assert text.startswith("Damaged lines in the second copy of the level log: 1.")


@pytest.mark.parametrize("shorter", ["DELETE FROM second WHERE rowid = 4", "DELETE FROM second WHERE rowid = 1", ""])
def test_a_start_tells_of_no_damage_where_one_ends_or_begins_before_the_other(
    logged_before: Path, shorter: str
) -> None:
    """As after a power cut, and where old rows were deleted."""
    with closing(sqlite3.connect(logged_before / "levels.sqlite")) as connection, connection:
        connection.execute(shorter)
    assert damage_found(logged_before) == []


def test_the_governor_gets_back_what_was_sent_within_its_window(log: LevelLog) -> None:
    log.write([second(4_000), second(600), second(540), END])
    history = log.sent_before(NOW, UP, 900)
    assert [r.age_s for r in history.rows] == [600.0, 540.0]
    assert history.rows[0].sent == {
        "A at place, dB, at most": 61.0,
        "C at place, dB, at most": 69.0,
        "Z at floor, dBFS, at most": -34.0,
    }
    assert (unlogged_s(history), history.unreadable) == (0.0, False)


@pytest.mark.parametrize("step_s", [-7200.0, 0.0, 7200.0, 86_400.0], ids="clock moved by {}".format)
def test_setting_the_clock_makes_nothing_younger_or_older(log: LevelLog, step_s: float) -> None:
    log.write([second(600), END])
    [row] = log.sent_before(NOW + timedelta(seconds=step_s), UP, 900).rows
    assert row.age_s == 600.0


@pytest.mark.parametrize(
    ("up_s", "age_s"), [(20.0, 600.0), (700.0, 700.0)], ids=["by the clock", "no later than the machine's start"]
)
def test_after_a_power_cut_the_clock_tells_ages(log: LevelLog, up_s: float, age_s: float) -> None:
    log.write([second(600, boot="an earlier boot"), END])
    [row] = log.sent_before(NOW, Uptime("this boot", up_s), 900).rows
    assert row.age_s == age_s


@pytest.mark.parametrize(("logged", "now"), [("", ""), ("", "this boot"), ("an earlier boot", "")])
def test_where_boots_have_no_name_a_moment_later_than_now_is_of_one_before(
    log: LevelLog, logged: str, now: str
) -> None:
    """Else the window before each power cut would count as sent at the start after it."""
    log.write([started(950.0, boot=logged), second(600, boot=logged)])
    history = log.sent_before(NOW, Uptime(now, 20.0), 900)
    assert [row.age_s for row in history.rows] == [600.0]
    assert history.spared == [Unlogged(0.0, 600.0)]


@pytest.mark.parametrize(("logged", "now"), [("", ""), ("", UP.boot), (UP.boot, "")])
def test_where_boots_have_no_name_a_moment_before_now_may_be_of_this_one(log: LevelLog, logged: str, now: str) -> None:
    """The lower age, so that an update of a program that could not name them forgets nothing."""
    log.write([second(600, boot=logged), END])
    [row] = log.sent_before(NOW + timedelta(hours=2), Uptime(now, UP.seconds), 900).rows
    assert row.age_s == 600.0


@pytest.mark.parametrize("rows", [[second(0.4)], [second(50_000.0)], []], ids=["just now", "a night ago", "nothing"])
def test_a_run_that_was_cut_may_have_sent_more_than_its_last_row_says(log: LevelLog, rows: list[SecondRow]) -> None:
    log.write([*rows, EventRow(utc=stamp(NOW), kind="started", text="")])
    assert unlogged_s(log.sent_before(NOW, UP, 86_400)) == 2.5  # as README.md promises


def test_a_cut_counts_at_every_start_within_the_window_and_not_at_the_next_alone(log: LevelLog) -> None:
    def happened(age_s: float, kind: str) -> EventRow:
        return EventRow(utc=stamp(NOW - timedelta(seconds=age_s)), kind=kind, text="")

    log.write([happened(9_000, "started"), happened(8_000, "playing"), happened(5_000, "started")])
    log.write([happened(700, "started"), happened(650, "playing"), happened(600, "started"), happened(20, ENDED)])
    log.write([happened(10, "started"), happened(5, ENDED)])
    found = log.sent_before(NOW, UP, 900.0)
    assert unlogged_s(found) == 0.0
    assert list(found.unlogged[1:]) == [Unlogged(700.0, UNLOGGED_MOST_S), Unlogged(600.0, UNLOGGED_MOST_S)]


def test_a_cut_is_as_old_as_the_machine_says_whatever_the_clock_said_then(log: LevelLog) -> None:
    """A computer without a battery clock comes up an hour behind, and is set right a little later."""
    behind = NOW - timedelta(hours=1)
    log.write([second(200, boot="an earlier boot"), EventRow(utc=stamp(behind), kind="playing", text="")])
    log.write(
        [EventRow(utc=stamp(behind), kind=STARTED, text="", sender=None, boot=UP.boot, up_s=UP.seconds - 180.0), END]
    )
    assert list(log.sent_before(NOW, UP, 900).unlogged[1:]) == [Unlogged(180.0, UNLOGGED_MOST_S)]


def test_rows_shorter_than_a_second_count_as_far_back_as_a_window_reaches(log: LevelLog) -> None:
    """As many short steps of a calibration leave."""
    log.write([replace(second(age_s / 10), duration_s=0.1) for age_s in range(599, -1, -1)])
    assert len(log.sent_before(NOW, UP, 60.0).rows) == 600


def test_no_log_is_no_history_and_a_broken_one_counts_as_everything_used_up(tmp_path: Path) -> None:
    assert LevelLog(tmp_path / "none.sqlite").sent_before(NOW, UP, 900).rows == ()
    (tmp_path / "broken.sqlite").write_bytes(b"not a database" * 1_000)
    assert LevelLog(tmp_path / "broken.sqlite").sent_before(NOW, UP, 900).unreadable
    assert LevelLog(tmp_path / (300 * "x") / "unseen.sqlite").sent_before(NOW, UP, 900).unreadable


@pytest.mark.parametrize("column", ["sent", "duration_s"])
def test_a_row_that_somebody_emptied_is_known_from_the_second_copy_else_everything_counts_as_used_up(
    log: LevelLog, tmp_path: Path, column: str
) -> None:
    log.write([second(600), END])
    before = log.sent_before(NOW, UP, 900)
    with closing(sqlite3.connect(tmp_path / "levels.sqlite")) as writer, writer:
        writer.execute(f"UPDATE second SET {column} = NULL")
    assert log.sent_before(NOW, UP, 900) == before
    (tmp_path / SECOND_COPY).unlink()
    assert log.sent_before(NOW, UP, 900).unreadable


def test_what_is_too_much_is_let_go_the_oldest_first(
    log: LevelLog, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for kind, most in ((LevelRow, 3), (SecondRow, 4), (EventRow, 5)):
        monkeypatch.setitem(MOST, kind, most)
    log.write([minute(age_s) for age_s in range(9, -1, -1)])
    log.write([second(age_s) for age_s in range(9, -1, -1)])
    log.write([EventRow(utc=stamp(NOW), kind="tick", text=str(number)) for number in range(10)])
    log.let_go()
    with closing(sqlite3.connect(tmp_path / "levels.sqlite")) as reader:
        assert reader.execute("SELECT count(*), min(utc) FROM level").fetchone() == (3, second(2).utc)
        assert reader.execute("SELECT count(*), min(utc) FROM second").fetchone() == (4, second(3).utc)
        assert reader.execute("SELECT count(*), min(cast(text AS INTEGER)) FROM event").fetchone() == (5, 5)


def test_a_clock_that_is_set_wrong_for_a_while_makes_nothing_forgotten(log: LevelLog, tmp_path: Path) -> None:
    """Years ahead, as where a battery clock has failed: rows of before and after are all of this season."""
    log.write([minute(700), second(700), END, replace(second(600), utc=stamp(NOW + timedelta(days=4_000)))])
    log.let_go()
    assert [row.age_s for row in log.sent_before(NOW, UP, 900).rows] == [700.0, 600.0]
    assert len(LogReader(tmp_path / "levels.sqlite").between(NOW - timedelta(days=1), NOW).minutes) == 1


def test_a_log_that_an_earlier_version_began_is_gone_on_with(log: LevelLog, tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "levels.sqlite")) as writer, writer:
        writer.execute("CREATE TABLE level (utc TEXT, laeq_db REAL)")
        writer.execute("INSERT INTO level VALUES ('2026-11-24T14:00:00.000+00:00', 60.0)")
    log.write([minute(0)])
    with closing(sqlite3.connect(tmp_path / "levels.sqlite")) as reader:
        found = reader.execute("SELECT laeq_db, lceq_db FROM level ORDER BY utc").fetchall()
    assert found == [(60.0, None), (61.0, 69.0)]


def test_a_log_of_an_earlier_version_can_be_read_as_it_is(log: LevelLog, tmp_path: Path) -> None:
    """As one that was copied away at the end of a season."""
    log.write([minute(0), second(0), EventRow(utc=stamp(NOW), kind="hold", text="Asked for.")])
    log.close()
    with closing(sqlite3.connect(tmp_path / "levels.sqlite")) as writer, writer:
        writer.execute("ALTER TABLE event DROP COLUMN unlogged_s")
        writer.execute("ALTER TABLE level DROP COLUMN vdv")
    logged = LogReader(tmp_path / "levels.sqlite").between(NOW - timedelta(days=1), NOW)
    assert [event.text for event in logged.events] == ["Asked for."]
    assert [(row.laeq_db, row.vdv) for row in logged.minutes] == [(61.0, None)]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may give a file away")
def test_what_root_begins_belongs_to_who_owns_the_folder(log: LevelLog, tmp_path: Path) -> None:
    os.chown(tmp_path, 61_184, 61_184)  # as a service of systemd with DynamicUser=yes does
    log.write([END])
    assert {path.stat().st_uid for path in tmp_path.iterdir()} == {61_184}


def test_a_log_that_somebody_took_away_is_begun_anew(log: LevelLog, tmp_path: Path) -> None:
    log.write([second(20)])
    for file in tmp_path.glob("levels.sqlite*"):
        file.unlink()
    log.write([second(10)])
    logged = LogReader(tmp_path / "levels.sqlite").between(
        NOW - timedelta(days=1), datetime.now(UTC) + timedelta(days=1)
    )
    assert (len(logged.seconds), [event.kind for event in logged.events]) == (1, [SPOILT])


def test_a_house_whose_first_rows_had_to_wait_has_lost_nothing(tmp_path: Path) -> None:
    """At its very first start the disk took its memory before it took a row."""
    path, now = tmp_path / "levels.sqlite", datetime.now(UTC)
    started, ended = EventRow(utc=stamp(now), kind=STARTED, text=""), EventRow(utc=stamp(now), kind=ENDED, text="")
    path.symlink_to(tmp_path / "nowhere" / "levels.sqlite")
    with closing(LevelLog(path)) as log:
        with pytest.raises(FileNotFoundError):
            log.write([started])
        (tmp_path / MEMORY_FILE).write_bytes(b"{}")
        path.unlink()
        log.write([started])
        log.write([ended])
        assert not log.sent_before(now, uptime(), 900).unreadable
        logged = LogReader(path).between(now - timedelta(days=1), now + timedelta(days=1))
        assert [event.kind for event in logged.events] == [STARTED, ENDED]


@pytest.mark.parametrize("left", [b"", None], ids=["emptied", "gone"])
def test_a_log_that_a_house_has_lost_counts_as_everything_used_up_until_its_window_has_passed(
    tmp_path: Path, left: bytes | None
) -> None:
    """As a file system may leave it after a power cut; that the house has run before is told by its memory."""
    path, up = tmp_path / "levels.sqlite", uptime()
    (tmp_path / MEMORY_FILE).write_bytes(b"{}")
    if left is not None:
        path.write_bytes(left)
    assert LevelLog(path).sent_before(NOW, up, 900.0).unreadable
    with closing(LevelLog(path)) as log:
        log.write([EventRow(utc=stamp(NOW), kind=STARTED, text="")])
        log.write([END])
        for later_s, unreadable in ((600.0, True), (1200.0, False)):
            assert log.sent_before(NOW, Uptime(up.boot, up.seconds + later_s), 900.0).unreadable == unreadable


def test_a_second_of_silence_has_no_row_and_a_minute_has_one_for_all_that_played() -> None:
    tallies = Tallies()
    rows: list[Row] = []
    other = replace(THEN, performance=None)
    for number in range(90):
        then = THEN if number < 70 else other
        level = 61.0 if number % 2 == 0 else -math.inf
        rows += tallies.rows(tally(1.0, level), NOW + timedelta(seconds=number), UP, then)
    rows += tallies.rest()
    assert sum(isinstance(row, SecondRow) for row in rows) == 45
    levels = [row for row in rows if isinstance(row, LevelRow)]
    assert [(row.performance, row.duration_s) for row in levels] == [
        ("first-batch", 60.0),
        ("first-batch", 10.0),
        (None, 20.0),
    ]
    assert levels[0].laeq_db == pytest.approx(61.0 - 3.01, abs=0.01)  # half of the time


@pytest.mark.parametrize("aside", ["file", "folder", "nothing"])
def test_a_folder_in_the_place_of_the_log_is_set_aside(tmp_path: Path, aside: str) -> None:
    """Such as after the repair of a file system; a file cannot be put into its place, nor it into that of a file."""
    path = tmp_path / "levels.sqlite"
    for place in (path, tmp_path / "levels.sqlite-wal"):
        (place / "lost+found").mkdir(parents=True)
    if aside == "folder":
        (tmp_path / "levels.sqlite.spoilt" / "old").mkdir(parents=True)
    elif aside == "file":
        (tmp_path / "levels.sqlite.spoilt").write_text("old")
    with closing(LevelLog(path)) as log:
        with pytest.raises(sqlite3.Error):
            log.write([second(1.0)])
        log.write([second(1.0)])
        assert log.sent_before(datetime.now(UTC), uptime(), 900).unreadable
    assert [*(tmp_path / "levels.sqlite.spoilt").iterdir()] == [tmp_path / "levels.sqlite.spoilt" / "lost+found"]


@pytest.mark.parametrize("ending", ["-wal", "-shm", "-journal"])
@pytest.mark.parametrize(
    "make",
    [
        pytest.param(os.mkfifo, id="pipe"),
        pytest.param(lambda path: (path / "lost+found").mkdir(parents=True), id="folder"),
        pytest.param(lambda path: path.symlink_to(path.with_name("other")), id="link"),
        pytest.param(lambda path: path.symlink_to("/nowhere/at/all"), id="link to nowhere"),
    ],
)
def test_what_stands_where_sqlite_keeps_its_own_makes_room(
    tmp_path: Path, make: Callable[[Path], None], ending: str
) -> None:
    """SQLite opens no link and no folder there, as long as it is tried, and waits for whoever writes to a pipe."""
    path, other = tmp_path / "levels.sqlite", tmp_path / "other"
    other.write_text("of somebody else")
    with closing(LevelLog(path)) as log:
        log.write([second(1.0)])
    make(tmp_path / f"levels.sqlite{ending}")
    with closing(LevelLog(path)) as log:
        log.write([second(2.0)])
    with closing(sqlite3.connect(path)) as reader:
        assert reader.execute("SELECT count(*) FROM second").fetchone() == (2,), "what was there before is kept"
    assert other.read_text() == "of somebody else"


@pytest.mark.parametrize("name", ["memory.json", "memory-before.json"])
def test_a_folder_in_the_place_of_the_memory_is_cleared_away(log: LevelLog, tmp_path: Path, name: str) -> None:
    (tmp_path / name / "lost+found").mkdir(parents=True)
    scribe = LogWriter(log, tmp_path / "memory.json")
    scribe.start()
    scribe.remember(b'{"index": 3}')
    assert scribe.end(wait_s=20)
    assert (tmp_path / "memory.json").read_bytes() == b'{"index": 3}'
    assert scribe.trouble is None


def test_a_minute_tells_of_a_cap_only_what_all_of_it_tells() -> None:
    """A calibration goes from an output whose vibration was measured to one whose was not."""
    felt = tally(1.0, 61.0)
    felt = replace(felt, sent={**felt.sent, "Wk at place, dB re 1 m/s²": -40.0})
    tallies = Tallies()
    rows = [*tallies.rows(felt, NOW, UP, THEN), *tallies.rows(tally(1.0, 61.0), NOW, UP, THEN), *tallies.rest()]
    assert [len(json.loads(row.sent)) for row in rows if isinstance(row, SecondRow | LevelRow)] == [4, 3, 3]


def test_the_scribe_writes_rows_and_memory_and_ends_when_all_is_written(log: LevelLog, tmp_path: Path) -> None:
    scribe = LogWriter(log, tmp_path / "memory.json")
    scribe.start()
    for age in range(50):
        scribe.put(second(age))
    scribe.remember(b'{"index": 3}')
    assert scribe.end(wait_s=20)
    assert (tmp_path / "memory.json").read_bytes() == b'{"index": 3}'
    assert len(log.sent_before(NOW, UP, 900).rows) == 50
    assert scribe.trouble is None


def test_what_the_disk_does_not_take_waits_in_memory(tmp_path: Path) -> None:
    in_the_way = tmp_path / "state"
    in_the_way.write_text("a file where the folder should be")
    log = LevelLog(in_the_way / "levels.sqlite")
    scribe = LogWriter(log, in_the_way / "memory.json")
    scribe.put(second(0))
    scribe.start()
    assert _soon(lambda: scribe.trouble is not None)
    in_the_way.unlink()
    assert scribe.end(wait_s=20)
    assert _soon(lambda: scribe.trouble is None)
    assert len(log.sent_before(NOW, UP, 900).rows) == 1


def started(age_s: float, boot: str = UP.boot) -> EventRow:
    at = NOW - timedelta(seconds=age_s)
    return EventRow(utc=stamp(at), kind=STARTED, text="", boot=boot, up_s=UP.seconds - age_s)


@pytest.mark.parametrize("cut", ["a kill", "a power cut"])
def test_half_of_the_limits_counts_for_the_time_without_a_row_before_a_start(log: LevelLog, cut: str) -> None:
    """The disk may have taken nothing, and then each hop was spared: whoever looks finds no row in both cases.

    Also since this start of the machine, as a run before this one may have been killed.
    """
    log.write([started(950.0), second(700.0), second(600.0)])
    up = UP if cut == "a kill" else Uptime("the next boot", 50.0)
    history = log.sent_before(NOW, up, 900)
    assert history.spared == [Unlogged(0.0, 600.0)]
    assert history.untold.share == SPARED_SHARE, "the next start would count as much for a run that it knows nothing of"
    [last] = history.unlogged
    assert 0.0 < last.age_s + last.duration_s < 600.0, "what was not spared was sent soon after the last row"


def ended(age_s: float, boot: str = UP.boot) -> EventRow:
    return replace(started(age_s, boot), kind=ENDED)


@pytest.mark.parametrize("lost", ["nothing", "levels.sqlite*", "sent*.lines"])
def test_a_tenth_of_the_limits_counts_for_all_time_of_which_no_run_is_known(
    log: LevelLog, tmp_path: Path, lost: str
) -> None:
    """Before the first start, between an end and the next start, and since the last end."""
    log.write([started(800.0), second(700.0), second(600.0), ended(590.0), ended(588.0)])
    log.write([started(500.0, "the next boot"), second(400.0, boot="the next boot"), ended(300.0, "the next boot")])
    log.close()
    for path in tmp_path.glob(lost):
        path.unlink()
    found = log.sent_before(NOW, Uptime("the boot after that", 50.0), 900)
    untold = {round(one.age_s, 3): round(one.duration_s, 3) for one in found.spared}
    assert untold == {0.0: 300.0, 500.0: 88.0, 800.0: 100.0}
    assert {one.share for one in (*found.spared, found.untold)} == {UNTOLD_SHARE}


def test_a_house_without_any_log_may_have_played_all_the_same(tmp_path: Path) -> None:
    """Nothing of its first run may have reached the disk."""
    found = LevelLog(tmp_path / "levels.sqlite").sent_before(NOW, UP, 900)
    assert found.spared == [Unlogged(0.0, 900.0, share=UNTOLD_SHARE)]


def test_rows_before_the_first_known_start_show_that_a_run_is_known_there(log: LevelLog) -> None:
    log.write([second(700.0), second(600.0), started(500.0), second(400.0), END])
    assert log.sent_before(NOW, UP, 900).spared == []


def test_a_run_of_which_the_log_tells_nothing_keeps_the_stricter_limits_of_now_and_then(log: LevelLog) -> None:
    """A start by a person may loosen a cap, and the next start would go on with the limits before."""
    [cap] = expand([CapEntry(quantity="LZeq", window_s=900.0, limit_dbfs=-30.0)])
    outputs = {"floor": Output(device_channel=1)}
    most = []
    for then_dbfs in (-40.0, -30.0, -20.0):
        limits = (LimitThen(ear_of(cap, outputs).key, 900.0, then_dbfs),)
        [row] = Tallies().rows(replace(tally(1.0, 61.0), limits=limits), NOW, UP, THEN)
        assert isinstance(row, SecondRow)
        log.write([started(800.0), row, END])
        history = log.sent_before(NOW, UP, 900)
        most.append(Budget(cap, ear_of(cap, outputs), history).spared_units[LogLag.RUN] / HOP_UNITS)
    assert most == pytest.approx([0.0098, 0.0977, 0.0977], rel=0.01)


def test_a_time_without_a_row_counts_at_every_later_start_within_the_window(tmp_path: Path) -> None:
    now, up = datetime.now(UTC), uptime()
    with closing(LevelLog(tmp_path / "levels.sqlite")) as log:
        cut = replace(second(0.0), utc=stamp(now - timedelta(seconds=60)), boot=up.boot, up_s=up.seconds - 60.0)
        log.write([EventRow(utc=stamp(now), kind="playing", text=""), cut])
    with closing(LevelLog(tmp_path / "levels.sqlite")) as begun_after_the_kill:
        begun_after_the_kill.write([EventRow(utc=stamp(now), kind=STARTED, text=""), replace(END, utc=stamp(now))])
    for lost in (False, True):
        later = Uptime(up.boot, up.seconds + 300.0)
        found = LevelLog(tmp_path / "levels.sqlite").sent_before(now + timedelta(seconds=300), later, 900).spared
        [spared] = [one for one in found if one.share == SPARED_SHARE]
        assert spared.age_s == pytest.approx(300.0, abs=5.0), lost
        assert spared.duration_s == pytest.approx(60.0, abs=5.0), lost
        (tmp_path / "levels.sqlite").unlink(missing_ok=True)  # and the second copy tells the same


def test_the_log_lags_until_it_tells_of_the_run_and_while_the_disk_takes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "levels.sqlite"
    scribe = LogWriter(LevelLog(path), tmp_path / "memory.json")
    assert scribe.lags(0) is LogLag.RUN, "a run of which the log knows nothing"
    scribe.put(started(0.0))
    scribe.mark(0)
    scribe.start()
    assert _soon(lambda: not scribe.lags(48_000))
    assert scribe.lags(round(48_000 * UNLOGGED_MOST_S)) is LogLag.ROWS
    scribe.put(second(0.0))
    scribe.mark(48_000)
    assert _soon(lambda: not scribe.lags(round(48_000 * UNLOGGED_MOST_S)))
    with closing(sqlite3.connect(path, isolation_level="EXCLUSIVE")) as in_the_way:
        in_the_way.execute("BEGIN EXCLUSIVE")
        scribe.put(second(0.0))
        scribe.mark(4 * 48_000)
        assert _soon(lambda: scribe.trouble is not None)
        assert scribe.lags(4 * 48_000)
    assert scribe.end(wait_s=20)
    assert not scribe.lags(4 * 48_000)


def test_rows_that_had_to_be_dropped_count_as_spared(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(log_writer, "MOST_WAITING", 10)
    log = LevelLog(tmp_path / "levels.sqlite")
    scribe = LogWriter(log, tmp_path / "memory.json")
    for age_s in range(400, 370, -1):
        scribe.put(second(float(age_s)))
    scribe.put(END)
    scribe.start()
    assert scribe.end(wait_s=20)
    history = log.sent_before(NOW, UP, 900)
    assert (len(history.rows), history.spared) == (9, [Unlogged(379.0, 21.0)])


class Stuck:
    """A log whose disk does not answer."""

    copy_trouble = None

    def __init__(self) -> None:
        self.asked, self.answers = threading.Event(), threading.Event()

    def write(self, _rows: Sequence[Row]) -> None:
        self.asked.set()
        self.answers.wait()

    def close(self) -> None:
        pass


def test_a_disk_that_does_not_even_answer_is_told_of(tmp_path: Path) -> None:
    log, now_s = Stuck(), 100.0
    scribe = LogWriter(cast(LevelLog, log), tmp_path / "memory.json", lambda: Uptime("this boot", now_s))
    scribe.start()
    scribe.put(second(0))
    assert log.asked.wait(20.0)
    now_s += UNLOGGED_MOST_S
    scribe.put(second(0))
    troubles = [scribe.trouble]
    now_s = 140.0
    troubles.append(scribe.trouble)
    log.answers.set()
    assert scribe.end(wait_s=20)
    assert [*troubles, scribe.trouble] == [None, "the disk has not answered for 40 s", None]


def test_a_hold_outlasts_a_log_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "levels.sqlite").symlink_to(tmp_path / "nowhere" / "levels.sqlite")
    scribe = LogWriter(LevelLog(tmp_path / "levels.sqlite"), tmp_path / "memory.json")
    scribe.put(second(0))
    scribe.remember(b'{"held_by": "front desk"}')
    scribe.start()
    assert scribe.end(wait_s=20)
    assert (tmp_path / "memory.json").read_bytes() == b'{"held_by": "front desk"}'
    assert scribe.trouble is not None


def test_rows_do_not_wait_for_a_memory_that_cannot_be_written(log: LevelLog, tmp_path: Path) -> None:
    (tmp_path / "in the way").write_text("a file where the folder should be")
    scribe = LogWriter(log, tmp_path / "in the way" / "memory.json")
    scribe.remember(b"{}")
    scribe.start()
    assert _soon(lambda: scribe.trouble is not None)
    scribe.put(second(0))
    assert _soon(lambda: len(log.sent_before(NOW, UP, 900).rows) == 1, within_s=RETRY_S / 2)
    assert scribe.end(wait_s=20)


def _soon(true: Callable[[], bool], within_s: float = 10.0) -> bool:
    """Whether something becomes true within some seconds."""
    deadline_s = time.monotonic() + within_s
    while time.monotonic() < deadline_s:
        if true():
            return True
        time.sleep(0.01)
    return False


def test_a_cut_at_any_byte_of_what_is_being_written_leaves_the_rows_before_it_or_those_too(tmp_path: Path) -> None:
    """The pages of a write are cut off after each 409th byte, as a power cut would; SQLite, "Write-Ahead Logging"."""
    whole = tmp_path / "whole"
    log = LevelLog(whole / "levels.sqlite")
    log.write([EventRow(utc=stamp(NOW), kind="before", text="")])
    earlier = (whole / "levels.sqlite-wal").read_bytes()
    log.write([EventRow(utc=stamp(NOW), kind="after", text="")])
    later = (whole / "levels.sqlite-wal").read_bytes()
    database = (whole / "levels.sqlite").read_bytes()
    found = set()
    for length in range(len(earlier), len(later) + 1, 409):
        cut = tmp_path / f"cut-{length}"
        cut.mkdir()
        (cut / "levels.sqlite").write_bytes(database)
        (cut / "levels.sqlite-wal").write_bytes(later[:length])
        again = LevelLog(cut / "levels.sqlite")
        assert not again.sent_before(NOW, UP, 60.0).unreadable
        kinds = tuple(
            event.kind
            for event in LogReader(cut / "levels.sqlite")
            .between(NOW - timedelta(days=1), NOW + timedelta(days=1))
            .events
        )
        assert kinds in {("before",), ("before", "after")}
        found.add(kinds)
        again.write([EventRow(utc=stamp(NOW), kind="next", text="")])
        again.close()
    log.close()
    assert ("before",) in found


@pytest.mark.parametrize("spoilt", [b"no database at all" * 400, b""], ids=["overwritten", "emptied"])
def test_a_spoilt_log_is_set_aside_and_counts_as_the_most_until_its_window_has_passed(
    tmp_path: Path, spoilt: bytes
) -> None:
    path = tmp_path / "levels.sqlite"
    path.write_bytes(spoilt)
    log, now = LevelLog(path), datetime.now(UTC)
    row = EventRow(utc=stamp(now), kind="started", text="")
    for _ in range(2):  # the scribe tries again
        try:
            log.write([row])
        except sqlite3.DatabaseError:
            for minutes, unreadable in ((1, True), (60, False)):
                up = uptime()
                later = Uptime(up.boot, up.seconds + 60.0 * minutes)
                assert log.sent_before(now, later, 900.0).unreadable == unreadable
            assert (tmp_path / "levels.sqlite.spoilt").read_bytes() == spoilt
    log.close()
    kinds = [event.kind for event in LogReader(path).between(now - timedelta(days=1), now + timedelta(days=1)).events]
    assert sorted(kinds) == (["log spoilt", "started"] if spoilt else ["started", "started"])
