from __future__ import annotations

import math
import sqlite3
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from residue.loudness.readings import Tally
from residue.runtime.log import ENDED, KEPT, MOST_EVENTS, UNLOGGED_MOST_S, EventRow, LevelLog, LevelRow, level_row
from residue.runtime.log import timestamp as stamp
from residue.runtime.scribe import Scribe

NOW = datetime(2026, 11, 25, 14, 0, tzinfo=UTC)


def row(age_s: float, laeq: float = 61.0) -> LevelRow:
    tally = Tally(
        60.0,
        laeq,
        66.0,
        80.0,
        physical=True,
        governor_db=0.0,
        limiter_db=-1.5,
        muted_frames=0,
        sent={"A": laeq, "C:floor": -math.inf},
    )
    return level_row(
        NOW - timedelta(seconds=age_s),
        tally,
        house="playing",
        performance="first-batch",
        playhead_s=12.0,
        plan_gain_db=-3.0,
        trim_db=0.0,
    )


@pytest.fixture
def log(tmp_path: Path) -> LevelLog:
    return LevelLog(tmp_path / "levels.sqlite")


def test_rows_can_be_read_by_any_program_that_opens_sqlite(log: LevelLog, tmp_path: Path) -> None:
    log.write([row(0), row(60, -math.inf), EventRow(stamp(NOW), "hold", "Asked for.", "10.0.0.7")])
    with sqlite3.connect(tmp_path / "levels.sqlite") as reader:
        (mode,) = reader.execute("PRAGMA journal_mode").fetchone()
        levels = reader.execute("SELECT utc, laeq_db, lceq_db, lc_peak_db, plan_gain_db, limiter_gain_db FROM level")
        events = reader.execute("SELECT kind, sender FROM event").fetchall()
        assert mode == "wal"
        assert levels.fetchall() == [
            ("2026-11-25T14:00:00.000+00:00", 61.0, 66.0, 80.0, -3.0, -1.5),
            ("2026-11-25T13:59:00.000+00:00", None, 66.0, 80.0, -3.0, -1.5),
        ]
        assert events == [("hold", "10.0.0.7")]
    reader.close()


def test_the_governor_gets_back_what_was_sent_within_its_window(log: LevelLog) -> None:
    log.write([row(4_000), row(600), row(540), EventRow(stamp(NOW), ENDED, "")])
    history = log.sent_before(NOW, 900)
    assert [r.age_s for r in history.rows] == [600.0, 540.0]
    assert history.rows[0].sent == {"A": 61.0, "C:floor": -math.inf}
    assert (history.unlogged_s, history.unreadable) == (0.0, False)


@pytest.mark.parametrize(
    ("age_s", "unlogged_s"),
    [(10.0, 10.0), (50_000.0, UNLOGGED_MOST_S), (-30.0, 0.0)],
    ids=["just now", "a night ago", "the clock went back"],
)
def test_a_run_that_was_cut_may_have_sent_more_than_its_last_row_says(
    log: LevelLog, age_s: float, unlogged_s: float
) -> None:
    log.write([row(age_s), EventRow(stamp(NOW), "playing", "")])
    assert log.sent_before(NOW, 86_400).unlogged_s == unlogged_s


def test_no_log_is_no_history_and_a_broken_one_counts_as_everything_used_up(tmp_path: Path) -> None:
    assert LevelLog(tmp_path / "none.sqlite").sent_before(NOW, 900).rows == ()
    (tmp_path / "broken.sqlite").write_bytes(b"not a database" * 1_000)
    assert LevelLog(tmp_path / "broken.sqlite").sent_before(NOW, 900).unreadable


def test_what_is_too_old_is_let_go(log: LevelLog, tmp_path: Path) -> None:
    log.write([row(0), row(KEPT.total_seconds() + 60)])
    log.write([EventRow(stamp(NOW), "tick", str(number)) for number in range(MOST_EVENTS + 10)])
    log.let_go(NOW)
    with sqlite3.connect(tmp_path / "levels.sqlite") as reader:
        assert reader.execute("SELECT count(*) FROM level").fetchone() == (1,)
        assert reader.execute("SELECT count(*), min(cast(text AS INTEGER)) FROM event").fetchone() == (MOST_EVENTS, 10)
    reader.close()


def test_the_scribe_writes_rows_and_memory_and_ends_when_all_is_written(log: LevelLog, tmp_path: Path) -> None:
    scribe = Scribe(log, tmp_path / "memory.json")
    scribe.start()
    for age in range(50):
        scribe.put(row(age))
    scribe.remember(b'{"index": 3}')
    assert scribe.end(wait_s=20)
    assert (tmp_path / "memory.json").read_bytes() == b'{"index": 3}'
    assert len(log.sent_before(NOW, 900).rows) == 50
    assert scribe.trouble is None


def test_what_the_disk_does_not_take_waits_in_memory(tmp_path: Path) -> None:
    in_the_way = tmp_path / "state"
    in_the_way.write_text("a file where the folder should be")
    log = LevelLog(in_the_way / "levels.sqlite")
    scribe = Scribe(log, in_the_way / "memory.json")
    scribe.put(row(0))
    scribe.start()
    assert _soon(lambda: scribe.trouble is not None)
    in_the_way.unlink()
    assert scribe.end(wait_s=20)
    assert _soon(lambda: scribe.trouble is None)
    assert len(log.sent_before(NOW, 900).rows) == 1


def _soon(true: Callable[[], bool]) -> bool:
    """Whether something becomes true within some seconds."""
    for _ in range(1_000):
        if true():
            return True
        time.sleep(0.01)
    return False
