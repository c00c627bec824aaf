"""The level log: what was sent, a row a minute, and what happened; a database that a person may open."""

from __future__ import annotations

import json
import logging
import math
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import astuple, dataclass, fields
from datetime import UTC, datetime, timedelta
from pathlib import Path

from residue.loudness.history import SentHistory, SentRow
from residue.loudness.readings import Tally

logger = logging.getLogger(__name__)

FILE_NAME = "levels.sqlite"
KEPT = timedelta(days=400)
"""Older rows are let go: a year and a season. At a row a minute that is below 200 MB."""
MOST_EVENTS = 200_000
UNLOGGED_MOST_S = 75.0
"""What was sent after the last row of a run that was cut: a tally of a minute, and a quarter of one for writing it."""


@dataclass(frozen=True, slots=True)
class LevelRow:
    """What was sent up to a moment; levels are null for silence."""

    utc: str
    duration_s: float
    house: str
    performance: str | None
    playhead_s: float | None
    laeq_db: float | None
    lceq_db: float | None
    lc_peak_db: float | None
    physical: int
    """1 where levels are dB re 20 uPa at the visitor's place, 0 where they are dBFS."""
    plan_gain_db: float | None
    trim_db: float
    governor_gain_db: float
    limiter_gain_db: float
    muted_frames: int
    sent: str
    """Mean level by what the caps listen to, as JSON: what the governor counts after a restart."""


@dataclass(frozen=True, slots=True)
class EventRow:
    """Something that happened, and who asked for it."""

    utc: str
    kind: str
    text: str
    sender: str | None = None


Row = LevelRow | EventRow
_TABLES: dict[type[Row], str] = {LevelRow: "level", EventRow: "event"}
_SQL_TYPES = {"str": "TEXT", "float": "REAL", "int": "INTEGER"}
ENDED = "ended"
"""The kind of the event with which a run ends that was not cut."""


SILENCE_DB = -150.0
"""Below what any converter puts out; filters kept from subnormal numbers hum at -600 dB."""


def heard(level: float) -> float | None:
    """None for silence."""
    return level if level > SILENCE_DB else None


def _finite(level: float) -> float | None:
    return level if math.isfinite(level) else None


def level_row(
    now: datetime,
    tally: Tally,
    *,
    house: str,
    performance: str | None,
    playhead_s: float | None,
    plan_gain_db: float | None,
    trim_db: float,
) -> LevelRow:
    """The row of a tally."""
    return LevelRow(
        utc=timestamp(now),
        duration_s=tally.duration_s,
        house=house,
        performance=performance,
        playhead_s=playhead_s,
        laeq_db=heard(tally.laeq),
        lceq_db=heard(tally.lceq),
        lc_peak_db=heard(tally.lc_peak),
        physical=int(tally.physical),
        plan_gain_db=plan_gain_db,
        trim_db=trim_db,
        governor_gain_db=tally.governor_db,
        limiter_gain_db=tally.limiter_db,
        muted_frames=tally.muted_frames,
        sent=json.dumps({key: _finite(level) for key, level in tally.sent.items()}),
    )


def timestamp(moment: datetime) -> str:
    """ISO 8601 in UTC, to the millisecond; sorts as text."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds")


class LevelLog:
    """The database. Every method may raise sqlite3.Error or OSError."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def _connect(self) -> sqlite3.Connection:
        self._path.parent.mkdir(parents=True, exist_ok=True)
        connection = sqlite3.connect(self._path, timeout=2.0)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        for row, table in _TABLES.items():
            columns = ", ".join(f"{f.name} {_SQL_TYPES[str(f.type).split(' ')[0]]}" for f in fields(row))
            connection.execute(f"CREATE TABLE IF NOT EXISTS {table} ({columns})")
            connection.execute(f"CREATE INDEX IF NOT EXISTS {table}_utc ON {table} (utc)")
        return connection

    def write(self, rows: Sequence[Row]) -> None:
        """All of them, or none."""
        with closing(self._connect()) as connection, connection:
            for row in rows:
                values = astuple(row)
                marks = ", ".join("?" * len(values))
                connection.execute(f"INSERT INTO {_TABLES[type(row)]} VALUES ({marks})", values)

    def let_go(self, now: datetime) -> None:
        """Forget what is too old or too much."""
        with closing(self._connect()) as connection:
            with connection:
                for table in _TABLES.values():
                    connection.execute(f"DELETE FROM {table} WHERE utc < ?", (timestamp(now - KEPT),))
                connection.execute(
                    "DELETE FROM event WHERE rowid <= (SELECT max(rowid) FROM event) - ?", (MOST_EVENTS,)
                )
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def sent_before(self, now: datetime, window_s: float) -> SentHistory:
        """What the governor has to count as sent before its first frame; what cannot be read counts as the most."""
        if not self._path.exists():
            return SentHistory()
        try:
            with closing(self._connect()) as connection:
                since = timestamp(now - timedelta(seconds=window_s))
                found = connection.execute(
                    "SELECT utc, duration_s, sent FROM level WHERE utc >= ? ORDER BY utc", (since,)
                ).fetchall()
                last = connection.execute("SELECT kind FROM event ORDER BY rowid DESC LIMIT 1").fetchone()
            rows = [_sent_row(now, *row) for row in found]
        except (sqlite3.Error, OSError, ValueError) as error:
            logger.warning("The level log cannot be read: %s. Every cap counts as used up.", error)
            return SentHistory(unreadable=True)
        whole = not rows or last == (ENDED,)
        return SentHistory(rows, 0.0 if whole else max(0.0, min(rows[-1].age_s, UNLOGGED_MOST_S)))


def _sent_row(now: datetime, utc: str, duration_s: float, sent: str) -> SentRow:
    levels = {key: -math.inf if level is None else level for key, level in json.loads(sent).items()}
    return SentRow((now - datetime.fromisoformat(utc)).total_seconds(), duration_s, levels)
