"""The second telling of what was sent: nothing that happens to one of the two makes a difference."""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from residue.loudness.stage.history import SentHistory
from residue.records import encode_record
from residue.runtime.house.memory import Memory, alive_at
from residue.runtime.journal import second_copy
from residue.runtime.journal.event_kinds import ENDED, SPOILT, STARTED
from residue.runtime.journal.log import EventRow, LevelLog, SecondRow
from residue.runtime.journal.second_copy import (
    BEFORE_NAME,
    FILE_NAME,
    SPOILT_LINE_S,
    EventTold,
    SecondCopy,
    SecondTold,
    SpoiltCopyError,
)
from residue.runtime.journal.telling import UNLOGGED_MOST_S
from residue.runtime.system.clock import Uptime, uptime
from residue.runtime.system.folders import MEMORY_FILE

NOW, UP = datetime.now(UTC), uptime()
DATABASE = "levels.sqlite"


def second(age_s: float, db: float = 61.0) -> SecondRow:
    return SecondRow(
        utc=(NOW - timedelta(seconds=age_s)).isoformat(timespec="milliseconds"),
        boot=UP.boot,
        up_s=UP.seconds - age_s,
        duration_s=1.0,
        laeq_db=db,
        lceq_db=db,
        laf_max_db=db,
        lc_peak_db=db,
        sent=f'{{"A at place, dB, at most": {db}}}',
    )


def happened(age_s: float, kind: str) -> EventRow:
    utc = (NOW - timedelta(seconds=age_s)).isoformat(timespec="milliseconds")
    return EventRow(utc=utc, kind=kind, text="", boot=UP.boot, up_s=UP.seconds - age_s)


@pytest.fixture
def state(tmp_path: Path) -> Path:
    """Of a house that was cut 200 s ago, started again, and cut now."""
    with closing(LevelLog(tmp_path / DATABASE)) as log:
        log.write([happened(900, STARTED), second(600), second(599, db=70.0), happened(598, ENDED)])
        log.write([happened(500, STARTED), second(300)])
        log.write([happened(200, STARTED), second(100), second(1)])
    (tmp_path / MEMORY_FILE).write_bytes(encode_record(Memory()))
    return tmp_path


def history(state: Path, window_s: float = 900.0) -> SentHistory:
    return LevelLog(state / DATABASE).sent_before(NOW, UP, window_s)


def ages_s(found: SentHistory) -> list[float]:
    return [round(row.age_s, 3) for row in found.rows]


def remove_database(state: Path) -> None:
    for path in state.glob(f"{DATABASE}*"):
        path.unlink()


def overwrite_database(state: Path) -> None:
    remove_database(state)
    (state / DATABASE).write_bytes(b"no database at all" * 400)


def empty_database(state: Path) -> None:
    remove_database(state)
    (state / DATABASE).write_bytes(b"")


LOSSES = (remove_database, overwrite_database, empty_database)


@pytest.mark.parametrize("lose", LOSSES)
def test_without_its_database_a_house_knows_the_same(state: Path, lose: Callable[[Path], None]) -> None:
    before = history(state)
    assert ages_s(before) == [600.0, 599.0, 300.0, 100.0, 1.0]
    assert [(round(one.age_s, 3), one.duration_s) for one in before.unlogged] == [(0.0, 2.5), (200.0, 2.5)]
    lose(state)
    assert history(state) == before


def test_no_flipped_bit_of_the_database_makes_less_count(state: Path) -> None:
    """SQLite notices few of them: one in the text of a level would have made a second 10 dB softer."""
    with closing(LevelLog(state / DATABASE)) as log:
        log.write([second(0.5)])
    before, path = history(state), state / DATABASE
    whole = path.read_bytes()
    texts = [at for at in range(len(whole)) if whole[at : at + 10] == b'"A at plac']
    bits = random.Random(1).sample(range(8 * len(whole)), 300)
    for bit in bits + [8 * at + n for at in texts for n in range(0, 8 * 30, 3)]:
        spoilt = bytearray(whole)
        spoilt[bit // 8] ^= 1 << bit % 8
        remove_database(state)
        path.write_bytes(spoilt)
        found = history(state)
        assert found.unreadable or counts_all_of(before, found), bit
    assert len(texts) >= 6


def counts_all_of(before: SentHistory, found: SentHistory) -> bool:
    """Whether each row still counts at its level, and no less time counts at the limit."""
    unlogged_s, before_s = (sum(one.duration_s for one in history.unlogged) for history in (found, before))
    return all(row in found.rows for row in before.rows) and unlogged_s >= before_s


@pytest.mark.parametrize("lose", LOSSES)
def test_it_still_does_after_a_run_that_began_a_new_database(state: Path, lose: Callable[[Path], None]) -> None:
    lose(state)
    with closing(LevelLog(state / DATABASE)) as log:
        try:
            log.write([second(0.5)])
        except Exception:  # noqa: BLE001 (as the log writer does: a spoilt file is set aside, and it tries again)
            log.write([second(0.5)])
    assert ages_s(history(state)) == [600.0, 599.0, 300.0, 100.0, 1.0, 0.5]


@pytest.mark.parametrize("left", [None, b"", b"no lines of ours\n" * 50], ids=["gone", "emptied", "overwritten"])
def test_without_the_copy_nothing_is_lost_and_the_next_run_makes_it_again(state: Path, left: bytes | None) -> None:
    before = history(state)
    (state / FILE_NAME).unlink()
    if left is not None:
        (state / FILE_NAME).write_bytes(left)
    assert replace(history(state), untold=before.untold) == before  # from a copy of nothing the least share follows
    with closing(LevelLog(state / DATABASE)) as log:
        log.write([second(0.5)])
    remove_database(state)
    assert ages_s(history(state)) == [600.0, 599.0, 300.0, 100.0, 1.0, 0.5]


@pytest.mark.parametrize("age_s", [0.0, 2_000.0])
def test_where_both_are_lost_everything_counts_as_used_up_when_the_house_was_last_alive(
    state: Path, age_s: float
) -> None:
    overwrite_database(state)
    (state / FILE_NAME).unlink()
    then = Uptime(UP.boot, UP.seconds - age_s)
    alive = Memory(alive=alive_at(NOW - timedelta(seconds=age_s), then))
    (state / MEMORY_FILE).write_bytes(encode_record(alive))
    found = history(state)
    assert found.unreadable
    assert found.ended_s == pytest.approx(max(0.0, age_s - 30.0), abs=0.01)


def test_where_both_were_lost_the_new_copy_does_not_look_whole(state: Path) -> None:
    overwrite_database(state)
    (state / FILE_NAME).unlink()
    with closing(LevelLog(state / DATABASE)) as log:
        try:
            log.write([second(0.5)])
        except Exception:  # noqa: BLE001 (set aside)
            log.write([second(0.5)])
    remove_database(state)
    assert LevelLog(state / DATABASE).sent_before(datetime.now(UTC), UP, 900.0).unreadable


def test_a_disk_that_refuses_the_copy_keeps_no_row_from_the_database(state: Path) -> None:
    (state / FILE_NAME).unlink()
    (state / FILE_NAME).mkdir()
    with closing(LevelLog(state / DATABASE)) as log:
        log.write([second(0.5)])
        troubles = [log.copy_trouble]
        (state / FILE_NAME).rmdir()
        log.write([second(0.4)])
        troubles.append(log.copy_trouble)
    assert [trouble is None for trouble in troubles] == [False, True]
    before = history(state)
    remove_database(state)
    assert history(state) == before


@pytest.mark.parametrize(("lost_s", "unreadable"), [(400.0, True), (2_000.0, False)], ids=["of late", "long ago"])
def test_a_copy_that_lacks_rows_tells_what_the_database_has_lost(
    state: Path, monkeypatch: pytest.MonkeyPatch, lost_s: float, *, unreadable: bool
) -> None:
    """A second is in the database alone, which has lost rows before: so the copy must not look whole."""
    with closing(LevelLog(state / DATABASE)) as log:
        log.write([happened(lost_s, SPOILT)])
        monkeypatch.setattr(SecondCopy, "append", refuse)
        log.write([second(0.5)])
        monkeypatch.undo()
        log.write([second(0.4)])
    remove_database(state)
    found = history(state)
    assert found.unreadable == unreadable
    assert unreadable or ages_s(found)[-2:] == [0.5, 0.4]


def refuse(*_lines: object) -> None:
    raise OSError("no")


def test_a_row_that_is_written_again_since_the_database_refused_it_counts_once(tmp_path: Path) -> None:
    copy = SecondCopy(tmp_path)
    one = SecondTold("2026-11-25T14:00:00.000+00:00", "boot", 3.0, 1.0, "{}")
    copy.append([one])
    copy.append([one, replace(one, up_s=4.0)])
    assert copy.read() == [one, replace(one, up_s=4.0)]


def test_a_database_that_refuses_for_long_pushes_nothing_out_of_the_copy(
    state: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The log writer tries all that waits again, every few seconds, while a person writes in the database."""
    monkeypatch.setattr(second_copy, "MOST_LINES", 50)
    real = sqlite3.connect
    monkeypatch.setattr(sqlite3, "connect", lambda path, **options: real(path, **(options | {"timeout": 0.0})))
    with closing(LevelLog(state / DATABASE)) as log, closing(sqlite3.connect(state / DATABASE)) as person:
        person.execute("BEGIN IMMEDIATE")
        waiting: list[EventRow | SecondRow] = [happened(0.9, "watchdog")]
        for number in range(40):
            waiting.append(second(0.8 - number / 100))
            with pytest.raises(sqlite3.OperationalError, match="locked"):
                log.write(waiting)
        person.rollback()
        log.write(waiting)
    found = history(state)
    assert ages_s(found)[:5] == [600.0, 599.0, 300.0, 100.0, 1.0]
    assert len(found.rows) == 45
    remove_database(state)
    assert history(state) == found


def test_a_copy_that_is_ahead_of_the_database_is_left_as_it_is(state: Path) -> None:
    """The power was cut while the database was locked: what had waited for it is in the copy alone."""
    copy = SecondCopy(state)
    copy.append(SecondTold(one.utc, one.boot, one.up_s, 1.0, one.sent) for one in (second(0.9), second(0.8)))
    with closing(LevelLog(state / DATABASE)) as log:
        log.write([happened(0.5, STARTED)])
    assert ages_s(history(state)) == [600.0, 599.0, 300.0, 100.0, 1.0, 0.9, 0.8]


def told(number: int) -> SecondTold:
    return SecondTold("2026-11-25T14:00:00.000+00:00", "boot", float(number), 1.0, '{"A at place, dB, at most": 61.0}')


def test_each_flipped_bit_of_a_line_costs_that_line_which_then_counts_as_unlogged(tmp_path: Path) -> None:
    copy = SecondCopy(tmp_path)
    copy.append([told(1), told(2), told(3)])
    whole = (tmp_path / FILE_NAME).read_bytes()
    first = whole.index(b"\n") + 1
    for bit in range(8 * first, 8 * whole.index(b"\n", first)):
        spoilt = bytearray(whole)
        spoilt[bit // 8] ^= 1 << bit % 8
        (tmp_path / FILE_NAME).write_bytes(spoilt)
        lines = SecondCopy(tmp_path).read()
        assert lines is not None
        assert (lines[0], lines[-1]) == (told(1), told(3))
        assert {line.unlogged_s for line in lines[1:-1] if isinstance(line, EventTold)} == {SPOILT_LINE_S}


def test_a_cut_at_any_byte_costs_the_line_that_was_being_written_and_no_later_one(tmp_path: Path) -> None:
    copy = SecondCopy(tmp_path)
    copy.append([told(1), told(2)])
    whole = (tmp_path / FILE_NAME).read_bytes()
    for length in range(whole.index(b"\n") + 1, len(whole)):
        (tmp_path / FILE_NAME).write_bytes(whole[:length])
        again = SecondCopy(tmp_path)
        again.append([told(3)])
        lines = again.read()
        assert lines is not None
        seconds = [line for line in lines if isinstance(line, SecondTold)]
        assert seconds in ([told(1), told(3)], [told(1), told(2), told(3)])


def test_of_a_file_with_many_spoilt_lines_nothing_is_believed(tmp_path: Path) -> None:
    copy = SecondCopy(tmp_path)
    copy.append(told(number) for number in range(100))
    text = (tmp_path / FILE_NAME).read_bytes().replace(b"61.0", b"16.0", 30)
    (tmp_path / FILE_NAME).write_bytes(text)
    with pytest.raises(SpoiltCopyError, match="30 of 100 lines"):
        copy.read()


def test_two_files_take_turns_and_together_reach_back_a_day(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(second_copy, "MOST_LINES", 50)
    copy = SecondCopy(tmp_path)
    for number in range(175):
        copy.append([told(number)])
    assert copy.read() == [told(number) for number in range(100, 175)]
    assert sorted(path.name for path in tmp_path.iterdir()) == [BEFORE_NAME, FILE_NAME]
    assert second_copy.MOST_LINES == 50
    assert copy.holds([told(174), told(100)])
    assert not copy.holds([told(174), told(99)])


def test_the_files_together_hold_the_longest_window_of_a_cap() -> None:
    """A day, one line a second: see Cap.window_s."""
    assert second_copy.MOST_LINES > 86_400


@pytest.fixture
def fifo(tmp_path: Path) -> Iterator[Path]:
    os.mkfifo(tmp_path / FILE_NAME)
    yield tmp_path
    shutil.rmtree(tmp_path)


def test_something_else_in_its_place_makes_nobody_wait(fifo: Path) -> None:
    with pytest.raises(OSError, match="not a regular file"):
        SecondCopy(fifo).read()


@pytest.mark.parametrize("name", [FILE_NAME, BEFORE_NAME, f"{FILE_NAME}.new"])
def test_it_begins_anew_whatever_stands_in_its_place(tmp_path: Path, name: str) -> None:
    (tmp_path / name / "lost+found").mkdir(parents=True)
    copy = SecondCopy(tmp_path)
    copy.begin_anew([told(174)])
    assert copy.read() == [told(174)]
    assert [path.name for path in tmp_path.iterdir()] == [FILE_NAME]


def test_a_cut_run_counts_by_the_copy_as_by_the_database(state: Path) -> None:
    with closing(LevelLog(state / DATABASE)) as log:
        log.write([happened(0.5, STARTED), happened(0.2, ENDED)])
    before = history(state)
    assert sorted(one.duration_s for one in before.unlogged) == [0.0, UNLOGGED_MOST_S, UNLOGGED_MOST_S]
    remove_database(state)
    assert history(state) == before
    assert SPOILT not in (state / FILE_NAME).read_text()
