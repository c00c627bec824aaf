"""The level log: sent levels, one row a minute and for some days one row a second, and events.

It is a database that a person may open. The governor counts its levels after a restart.
"""

from __future__ import annotations

import logging
import os
import shutil
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from itertools import chain
from pathlib import Path

from residue.archive.beside import clear
from residue.loudness.stage.history import UNTOLD_SHARE, SentHistory, Unlogged
from residue.runtime.house.memory import remembered
from residue.runtime.journal.caps_in_force import CapsRow
from residue.runtime.journal.comparing import damages
from residue.runtime.journal.damage import damage_told, is_spoilt
from residue.runtime.journal.event_kinds import ENDED, LOG_DAMAGED, NOT_LOGGED, SPOILT, STARTED
from residue.runtime.journal.hours_in_force import HoursRow
from residue.runtime.journal.second_copy import EventTold, LineTold, SecondCopy, SecondTold
from residue.runtime.journal.telling import (
    UNLOGGED_MOST_S,
    Telling,
    age_s,
    all_that_count,
    copied,
    covered_by,
    covering,
    history_of,
    unseen,
)
from residue.runtime.system.clock import Uptime, uptime
from residue.runtime.system.folders import MEMORY_BEFORE_FILE, MEMORY_FILE

logger = logging.getLogger(__name__)

FILE_NAME = "levels.sqlite"
_ALIVE_S = 30.0
"""A house may have run so much longer than in its memory, which is written every few seconds."""
_DAY_S = 86_400
"""The longest window of a cap: the second copy gets so many seconds from the database."""
_EVENTS = 5_000


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelRow:
    """The sound sent within a minute while one performance played; levels are null for silence."""

    utc: str
    duration_s: float
    house: str
    performance: str | None
    playhead_s: float | None
    laeq_db: float | None
    lceq_db: float | None
    lzeq_db: float | None
    lgeq_db: float | None
    laf_max_db: float | None
    las_max_db: float | None
    lc_peak_db: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    integrated_lufs: float | None
    """Since the present performance began or continued after a restart; the loudness range too."""
    loudness_range_lu: float | None
    true_peak_dbtp: float | None
    """The highest of any output."""
    aw_ms2: float | None
    """Wk-weighted acceleration; null where the vibration is not calibrated, as its dose."""
    vdv: float | None
    """Vibration dose value, m/s^1.75."""
    aw_horizontal_ms2: float | None
    """Wd-weighted; null also where nothing was read horizontally, as its dose, and in rows of earlier versions."""
    vdv_horizontal: float | None
    physical: int
    """1 where levels are dB re 20 uPa at the visitor's place, 0 where they are dBFS."""
    plan_gain_db: float | None
    trim_db: float
    governor_gain_db: float
    limiter_gain_db: float
    muted_frames: int
    outputs: str
    """The same quantities of each output, as JSON."""
    sent: str
    """The mean level at each ear of a cap, as JSON."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondRow:
    """The sound sent within about a second, at the visitor's place. Seconds of silence have no row."""

    utc: str
    boot: str
    """The boot of the machine; with up_s, a time that does not depend on the clock."""
    up_s: float
    duration_s: float
    laeq_db: float | None
    lceq_db: float | None
    laf_max_db: float | None
    lc_peak_db: float | None
    sent: str
    """The mean level at each ear of a cap, as JSON: the governor counts it after a restart."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EventRow:
    """An event, and who asked for it."""

    utc: str
    kind: str
    text: str
    sender: str | None = None
    boot: str | None = None
    """As in a SecondRow; null if the writer did not give it."""
    up_s: float | None = None
    unlogged_s: float | None = None
    """The time before it for which sound may have been sent without a row."""


Row = LevelRow | SecondRow | EventRow | HoursRow | CapsRow
TABLES: dict[type[Row], str] = {
    LevelRow: "level",
    SecondRow: "second",
    EventRow: "event",
    HoursRow: "hours",
    CapsRow: "caps",
}
MOST: dict[type[Row], int] = {LevelRow: 750_000, SecondRow: 260_000, EventRow: 200_000, HoursRow: 4_000, CapsRow: 4_000}
"""So many rows are kept: about 400 days, 3 days of sound (the longest window of a cap is a day), a season's events, and
400 days of hours and caps that change ten times a day; below 400 MB. The rows are counted and not selected by date, so
that a wrong clock deletes nothing."""
SPOILT_SUFFIX = ".spoilt"
"""A damaged log is kept under its name with this ending."""
_SQL_TYPES = {"str": "TEXT", "float": "REAL", "int": "INTEGER"}
_SECOND, _EVENT = "utc, boot, up_s, duration_s, sent", "utc, boot, up_s, kind, unlogged_s"
"""As the second copy tells them."""
_NOT_TOLD_BEFORE = f"""
    SELECT utc, boot, up_s, kind, coalesce(unlogged_s, {UNLOGGED_MOST_S})
    FROM (SELECT *, lag(kind) OVER (ORDER BY rowid) AS before FROM event)
    WHERE unlogged_s > 0 OR kind = '{SPOILT}' OR (kind = '{STARTED}' AND before <> '{ENDED}')"""

_RUNS = f"SELECT {_EVENT} FROM event WHERE kind IN ('{STARTED}', '{ENDED}') ORDER BY rowid"
_SHORT_S = 1.0
"""A window for the last row alone."""


def timestamp(moment: datetime) -> str:
    """ISO 8601 in UTC, to the millisecond; sorts as text."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds")


def event(now: datetime, up: Uptime, kind: str, text: str, *, sender: str | None = None) -> EventRow:
    """An event row with the present time."""
    return EventRow(utc=timestamp(now), kind=kind, text=text, sender=sender, boot=up.boot, up_s=round(up.seconds, 3))


class LevelLog:
    """The database. Every method may raise sqlite3.Error or OSError.

    All but `sent_before` are for one thread.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._left: tuple[EventRow, ...] | None = None
        """The event that a process before this one was stopped without an end.

        None until it is made; it is made once, however often its write is tried again.
        """
        self._should_tell = self._memory_stands()
        """Whether an empty log means that the former log is lost. It is found once and not at each write: at the first
        start of a house its memory may be on the disk before the first row.
        """
        self._writing: sqlite3.Connection | None = None
        self._copy = SecondCopy(path.parent)
        self._copy_in_step = self._copy_lacks = False
        self._found: tuple[str, ...] = ()
        """Sentences on damage that the first look at database and copy has met, until there are events of them."""
        self._only_copied: frozenset[Row] = frozenset()
        """The rows of a refused write: the copy has them already when it is tried again."""
        self.copy_trouble: str | None = None
        """The reason why the second copy cannot be written at present."""

    def _connect(self) -> sqlite3.Connection:
        self._path.parent.mkdir(parents=True, exist_ok=True)
        if os.geteuid() == 0 and not self._path.exists():
            # A technician as root: the service that owns the folder must be able to write the log too.
            self._path.touch()
            shutil.chown(self._path, self._path.parent.stat().st_uid, self._path.parent.stat().st_gid)
        for beside in self._beside("-wal", "-shm", "-journal"):  # SQLite opens no link or folder, and waits at a pipe
            if beside.is_symlink() or not beside.is_file():
                clear(beside)
        connection = sqlite3.connect(self._path, timeout=2.0)
        with ExitStack() as unless_whole:
            unless_whole.callback(connection.close)
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
            for row, table in TABLES.items():
                columns = {f.name: _SQL_TYPES[str(f.type).split(" ")[0]] for f in fields(row)}
                described = ", ".join(f"{name} {kind}" for name, kind in columns.items())
                connection.execute(f"CREATE TABLE IF NOT EXISTS {table} ({described})")
                connection.execute(f"CREATE INDEX IF NOT EXISTS {table}_utc ON {table} (utc)")
                for name in columns.keys() - columns_of(connection, table):  # a log from an earlier version
                    connection.execute(f"ALTER TABLE {table} ADD COLUMN {name} {columns[name]}")
            unless_whole.pop_all()
        return connection

    def _for_writing(self) -> sqlite3.Connection:
        if self._writing is not None and not self._path.exists():
            self.close()  # somebody removed the file
        if self._writing is None:
            self._writing = self._connect()
        return self._writing

    def close(self) -> None:
        """Closes the file; the next write opens it again."""
        if self._writing is not None:
            self._writing.close()
            self._writing = None

    def write(self, rows: Sequence[Row]) -> None:
        """Writes all of these rows, or none."""
        if self._left is None:
            self._left = tuple(self._left_unlogged(datetime.now(UTC), uptime()))
        rows = [*self._left, *rows]
        self._write_copy(rows)
        if self._found:
            logger.warning("%s", " ".join(self._found))
            found = [event(datetime.now(UTC), uptime(), LOG_DAMAGED, sentence) for sentence in self._found]
            self._write_copy(found)
            self._found, self._left, rows = (), (*self._left, *found), [*found, *rows]
            self._only_copied = frozenset(rows) if self._copy_in_step else frozenset()
        try:
            with damage_told(), self._for_writing() as connection:
                for row in (*self._told_lost(connection, rows), *rows):
                    names = [f.name for f in fields(row)]
                    marks = ", ".join("?" * len(names))
                    into = f"{TABLES[type(row)]} ({', '.join(names)})"
                    connection.execute(f"INSERT INTO {into} VALUES ({marks})", [getattr(row, name) for name in names])
                tells = not _tells_nothing(connection)
        except (sqlite3.Error, OSError) as error:
            self.close()
            if (self._path.exists() and not self._path.is_file()) or is_spoilt(error, self._path):
                self._set_aside()
            raise
        self._left, self._only_copied = (), frozenset()
        self._should_tell = self._should_tell or tells

    def _write_copy(self, rows: Sequence[Row]) -> None:
        """Writes the second copy; its errors never prevent a write to the database."""
        try:
            if not self._copy_in_step:
                self._bring_copy_into_step()
            self._copy.append(line for row in rows if row not in self._only_copied for line in _copy_of(row))
        except OSError as error:
            self._copy_in_step, self._copy_lacks = False, True  # missing lines come from the database later
            self._only_copied, self.copy_trouble = frozenset(), str(error)
        else:
            self._copy_in_step, self._copy_lacks, self.copy_trouble = True, False, None
            self._only_copied = frozenset(rows)

    def _bring_copy_into_step(self) -> None:
        """At the first row of a process: adds the missing lines of the copy from the database.

        A copy that lacks nothing is left as it is: after a power cut it may tell of rows that the database never took,
        and of those that a damaged database has lost. One that lacks lines tells what the database tells, its losses
        too.
        """
        told = self._lines_of_database()
        if not self._copy_lacks:
            self._found = tuple(damages(told or ([], []), list(self._copy.latest())))
            if self._copy_tells_all(told):
                return
        if told is not None and any(told):
            self._copy.begin_anew(chain(*told))
        elif told is None or self._should_tell:  # both are lost
            up = uptime()
            self._copy.begin_anew([EventTold(timestamp(datetime.now(UTC)), up.boot, up.seconds, SPOILT, None)])

    def _copy_tells_all(self, told: tuple[list[EventTold], list[SecondTold]] | None) -> bool:
        """Whether the copy has the latest of a whole database, or can be read beside one that has lost rows."""
        if told is None or not any(told) or any(event.kind == SPOILT for event in told[0]):
            return copied(self._copy) is not None
        return self._copy.holds([kind[-1] for kind in told if kind])

    def _lines_of_database(self) -> tuple[list[EventTold], list[SecondTold]] | None:
        """The events and a day of seconds, the oldest first; None where they cannot be read."""
        if not self._path.exists():
            return [], []
        try:
            with closing(self._connect()) as connection:
                seconds = connection.execute(f"SELECT {_SECOND} FROM second ORDER BY rowid DESC LIMIT ?", (_DAY_S,))
                events = connection.execute(f"SELECT {_EVENT} FROM event ORDER BY rowid DESC LIMIT ?", (_EVENTS,))
                happened, sent = [EventTold(*row) for row in events], [SecondTold(*row) for row in seconds]
        except (sqlite3.Error, OSError, TypeError, ValueError):
            return None
        return happened[::-1], sent[::-1]

    def _told_lost(self, connection: sqlite3.Connection, rows: Sequence[Row]) -> Iterator[EventRow]:
        """Notes a log that is empty although this house has run before: the former log is lost."""
        told = any(isinstance(row, EventRow) and row.kind == SPOILT for row in rows)
        if not told and self._should_tell and _tells_nothing(connection):
            text = "The log of this house is gone, or never began. Every cap counts as used up at starts that need it."
            yield event(datetime.now(UTC), uptime(), SPOILT, text)

    def _memory_stands(self) -> bool:
        """Whether there is a memory beside the log: then this house has run before."""
        try:
            return any(self._path.with_name(name).exists() for name in (MEMORY_FILE, MEMORY_BEFORE_FILE))
        except OSError:  # the most counts if it cannot be read
            return True

    def _left_unlogged(self, now: datetime, up: Uptime) -> Iterator[EventRow]:
        """Logs for later starts the time before this one for which sound may have been sent without a row."""
        time = self._unseen(now, up)
        if time is not None and time.duration_s > UNLOGGED_MOST_S:
            text = f"The run before has no end and no row for {time.duration_s:.0f} s; caps count half of them."
            ended = Uptime(up.boot, up.seconds - time.age_s)
            found = event(now - timedelta(seconds=time.age_s), ended, NOT_LOGGED, text)
            yield replace(found, unlogged_s=time.duration_s)

    def _unseen(self, now: datetime, up: Uptime) -> Unlogged | None:
        """By the first that tells it; one with a damaged row, which no error of a database shows, is passed over."""
        for tell in (
            partial(self._checked, _SHORT_S),
            partial(self._in_database, _SHORT_S),
            partial(copied, self._copy),
        ):
            with suppress(ValueError, TypeError):
                if (told := tell()) is not None:
                    return unseen(told, now, up)
        return None

    def _beside(self, *endings: str) -> Iterator[Path]:
        """What SQLite keeps beside the database."""
        return (self._path.with_name(self._path.name + ending) for ending in endings)

    def _set_aside(self) -> None:
        """Begins a new log, so that a damaged one does not end all logging; the last damaged one is kept for people."""
        aside = self._path.with_name(self._path.name + SPOILT_SUFFIX)
        clear(aside)
        self._path.replace(aside)
        for beside in self._beside("-wal", "-shm"):
            clear(beside)
        logger.error("The level log is damaged. It was moved to %s, and a new one begins.", aside.name)
        text = f"Its contents are in {aside.name}. Every cap counts as used up at starts that need it."
        self.write([event(datetime.now(UTC), uptime(), SPOILT, text)])

    def let_go(self) -> None:
        """Deletes the oldest rows if there are too many."""
        with damage_told(), self._for_writing() as connection:
            for row, table in TABLES.items():
                oldest = f"(SELECT max(rowid) FROM {table}) - ?"
                connection.execute(f"DELETE FROM {table} WHERE rowid <= {oldest}", (MOST[row],))
        with damage_told():
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def sent_before(self, now: datetime, up: Uptime, window_s: float) -> SentHistory:
        """The energy that the governor must count before its first frame; times without a row count as the most.

        It comes from the second copy if that holds all that the database does, since its lines have check sums; else
        all that either tells counts. Ages are measured by the time since the machine started; for an earlier start by
        the clock, and are at least that time.
        """
        try:
            stands = self._path.exists()
        except OSError:  # the most counts if it cannot be read
            stands = True
        if not stands and not self._should_tell and copied(self._copy) is None:
            return SentHistory(spared=[Unlogged(0.0, window_s, share=UNTOLD_SHARE)])
        read = partial(history_of, now=now, up=up, window_s=window_s)
        if (checked := read(self._checked(window_s))) is not None:
            return checked
        found = read(self._in_database(window_s)), read(copied(self._copy))
        if histories := [history for history in found if history is not None]:
            return all_that_count(histories)
        logger.warning("What was sent before is lost. Every cap counts as used up when the house was last alive.")
        return SentHistory(unreadable=True, ended_s=self._dead_s(now, up))

    def _checked(self, window_s: float) -> Telling | None:
        """What the second copy tells; None where a line of it is damaged, or the database knows of something later."""
        last = "ORDER BY rowid DESC LIMIT 1"
        try:
            if not self._path.exists():
                return None
            with closing(self._connect()) as connection:
                seconds = [SecondTold(*row) for row in connection.execute(f"SELECT {_SECOND} FROM second {last}")]
                [event] = connection.execute(f"SELECT {_EVENT} FROM event {last}")
            return covered_by(self._copy, window_s, [EventTold(*event), *seconds])
        except (sqlite3.Error, OSError, ValueError):  # no event at all, too: that is no log of ours
            return None

    def _in_database(self, window_s: float) -> Telling | None:
        """The history in the database; None where it cannot be read, or is empty although this house has run before."""
        try:
            if not self._path.exists():
                return None
            with closing(self._connect()) as connection:
                if self._memory_stands() and _tells_nothing(connection):
                    # A house was killed while its first rows waited for the disk: they were sent nevertheless.
                    return None
                rows = connection.execute(f"SELECT {_SECOND} FROM second ORDER BY rowid DESC")
                seconds = [SecondTold(*row) for row in covering(rows, window_s)]
                last = connection.execute("SELECT kind FROM event ORDER BY rowid DESC LIMIT 1").fetchone()
                not_told = [EventTold(*row) for row in connection.execute(_NOT_TOLD_BEFORE)]
                runs = [EventTold(*row) for row in connection.execute(_RUNS)]
        except (sqlite3.Error, OSError, ValueError, TypeError, AttributeError) as error:
            logger.warning("The level log cannot be read: %s.", error)
            return None
        return Telling(seconds, not_told, runs, ended=last in (None, (ENDED,)))

    def _dead_s(self, now: datetime, up: Uptime) -> float:
        """The time for which nothing can have been sent, by the memory of the house; 0 if not known."""
        alive = remembered(self._path.parent)[0].alive
        age = 0.0 if alive is None else age_s(now, up, utc=alive.utc, boot=alive.boot, up_s=alive.up_s)
        return max(0.0, age - _ALIVE_S)


def columns_of(connection: sqlite3.Connection, table: str) -> set[str]:
    """The columns of a table, in the small letters of ours; none where there is no such table.

    SQLite heeds no case of names: a flipped bit that makes a letter large leaves the column what it was.
    """
    return {name.lower() for _, name, *_ in connection.execute(f"PRAGMA table_info({table})")}


def _tells_nothing(connection: sqlite3.Connection) -> bool:
    return connection.execute("SELECT 1 FROM event UNION ALL SELECT 1 FROM second LIMIT 1").fetchone() is None


def _copy_of(row: Row) -> Iterator[LineTold]:
    """The line of the second copy for a row; none for a minute, because its seconds are there."""
    if isinstance(row, SecondRow):
        yield SecondTold(row.utc, row.boot, row.up_s, row.duration_s, row.sent)
    elif isinstance(row, EventRow) and row.kind != SPOILT:  # the database itself is damaged
        yield EventTold(row.utc, row.boot, row.up_s, row.kind, row.unlogged_s)
