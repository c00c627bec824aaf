"""Writes the level log and the memory of the house, in a thread of its own."""

from __future__ import annotations

import logging
import sqlite3
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from math import inf
from pathlib import Path

from residue.archive.beside import clear_folder
from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.stage.history import LogLag
from residue.mapping.signals import frame_at
from residue.runtime.journal.event_kinds import NOT_LOGGED
from residue.runtime.journal.log import LevelLog, Row, SecondRow, event
from residue.runtime.journal.telling import UNLOGGED_MOST_S
from residue.runtime.system.clock import Uptime, uptime
from residue.runtime.system.files import replace_file
from residue.runtime.system.folders import MEMORY_BEFORE_FILE

logger = logging.getLogger(__name__)

MOST_WAITING = 20_000
"""The most rows that wait in memory while the disk cannot be written: five hours, 10 MB."""
RETRY_S = 5.0
_LAG_FRAMES = frame_at(UNLOGGED_MOST_S) - 2 * HOP_FRAMES
"""If more frames than this are not written down, the log lags: one hop more is on its way in the governor."""


class LogWriter:
    """Takes rows without waiting for the disk.

    Rows that cannot be written wait in memory; if there are too many, the oldest are dropped. A disk that does not
    answer is reported too. dropped: the number of dropped rows.
    """

    def __init__(self, log: LevelLog, memory_path: Path, up: Callable[[], Uptime] = uptime) -> None:
        self._log = log
        self._memory_path = memory_path
        self._up = up
        self._waiting: deque[Row] = deque(maxlen=MOST_WAITING)
        self._memory: bytes | None = None
        self._written_memory: bytes | None = None
        self._change = threading.Condition()
        self._old = False
        self._ending = False
        self._trouble: str | None = None
        self._writing_since: Uptime | None = None
        self.dropped = self._dropped_untold = 0
        self._mark = self._logged = -inf
        self._thread = threading.Thread(target=self._run, name="log writer", daemon=True)

    @property
    def trouble(self) -> str | None:
        """The reason why the disk cannot be written at present."""
        since = self._unanswered_since()
        if since is None:
            return self._trouble
        return f"the disk has not answered for {self._up().seconds - since.seconds:.0f} s"

    def _unanswered_since(self) -> Uptime | None:
        """The time since which the disk does not answer, if longer than the time that counts as sent after a cut."""
        since = self._writing_since
        return since if since is not None and self._up().seconds - since.seconds > UNLOGGED_MOST_S else None

    def start(self) -> None:
        """Starts the writer's thread."""
        self._thread.start()

    def put(self, row: Row) -> None:
        """Logs a row as soon as the disk can be written."""
        with self._change:
            full = len(self._waiting) == MOST_WAITING
            self.dropped += full
            self._dropped_untold += full
            self._waiting.append(row)
            self._change.notify()

    def mark(self, frames: int) -> None:
        """Notes that the rows put so far tell of so many frames of the run."""
        with self._change:
            self._mark = frames
            self._change.notify()

    def lags(self, frames: int) -> LogLag:
        """What the disk does not tell yet of so many frames of the run. Any thread may ask."""
        logged = self._logged
        if logged < 0:
            return LogLag.RUN
        return LogLag.ROWS if frames - logged > _LAG_FRAMES else LogLag.NONE

    def remember(self, memory: bytes) -> None:
        """Keeps this memory instead of the one before."""
        with self._change:
            self._memory = memory
            self._change.notify()

    def let_go(self) -> None:
        """Deletes old rows when nothing more urgent waits."""
        with self._change:
            self._old = True
            self._change.notify()

    def end(self, wait_s: float) -> bool:
        """Writes the waiting rows and ends; False if that takes longer than `wait_s`."""
        with self._change:
            self._ending = True
            self._change.notify()
        self._thread.join(wait_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        while True:
            with self._change:
                self._change.wait_for(self._has_work, RETRY_S)
                rows, memory, ending = list(self._waiting), self._memory, self._ending
                mark, dropped = self._mark, self._dropped_untold
                old, self._old = self._old, False
            self._writing_since = self._up()
            # One may succeed where the other fails: a hold must survive a log that cannot be written.
            not_logged = _failing(partial(self._write_rows, rows, dropped))
            if not_logged is None:
                self._logged = mark
            not_remembered = _failing(partial(self._write_memory, memory))
            not_let_go = _failing(self._log.let_go) if old else None
            self._writing_since = None
            self._tell(not_logged or not_remembered or not_let_go or self._log.copy_trouble)
            if ending:
                self._log.close()
                return
            if not_logged or not_remembered:
                soon = self._is_ending if not_logged else self._has_rows
                with self._change:
                    self._change.wait_for(soon, RETRY_S)

    def _is_ending(self) -> bool:
        return self._ending

    def _has_rows(self) -> bool:
        return bool(self._waiting) or self._ending

    def _has_work(self) -> bool:
        return self._has_rows() or self._old or self._mark != self._logged or self._memory != self._written_memory

    def _tell(self, trouble: str | None) -> None:
        if trouble is not None and self._trouble is None:
            logger.error("The state folder cannot be written: %s. It waits in memory.", trouble)
        self._trouble = trouble

    def _write_rows(self, rows: Sequence[Row], dropped: int) -> None:
        if not rows:
            return
        self._log.write([*_told_dropped(rows, dropped), *rows])
        with self._change:
            self._dropped_untold -= dropped
            for row in rows:
                if self._waiting and self._waiting[0] is row:
                    self._waiting.popleft()

    def _write_memory(self, memory: bytes | None) -> None:
        if memory is not None and memory != self._written_memory:
            before = self._memory_path.with_name(MEMORY_BEFORE_FILE)
            for path in (self._memory_path, before):
                clear_folder(path)
            with suppress(FileNotFoundError):  # the one before is kept: one damaged file must not end a hold
                self._memory_path.replace(before)
            replace_file(self._memory_path, memory)
            self._written_memory = memory


def _told_dropped(rows: Sequence[Row], dropped: int) -> Iterator[Row]:
    """An event in the place of the rows before these, which were dropped; there is a row each second at most."""
    first = next((row for row in rows if isinstance(row, SecondRow)), None)
    if dropped and first is not None:
        text = f"The disk took nothing for so long that {dropped} rows were dropped; caps count the time."
        told = event(datetime.now(UTC), uptime(), NOT_LOGGED, text)
        yield replace(told, utc=first.utc, boot=first.boot, up_s=first.up_s, unlogged_s=float(dropped))


def _failing(write: Callable[[], None]) -> str | None:
    """Does the work; gives the reason if the disk could not be written."""
    try:
        write()
    except (sqlite3.Error, OSError) as error:
        return str(error)
    return None
