"""The one who writes: the level log and the memory of the house, from a thread of its own."""

from __future__ import annotations

import logging
import sqlite3
import threading
from collections import deque
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from residue.runtime.files import replace_file
from residue.runtime.log import LevelLog, Row

logger = logging.getLogger(__name__)

MOST_WAITING = 20_000
"""Rows that wait in memory while the disk takes nothing: five hours of them, 10 MB."""
RETRY_S = 5.0


class Scribe:
    """Takes what is to be written and never makes anybody wait for the disk.

    What the disk does not take waits in memory, the oldest being let go when there is too much of it.
    trouble: why the disk takes nothing at present; dropped: rows that were let go for it.
    """

    def __init__(self, log: LevelLog, memory_path: Path) -> None:
        self._log = log
        self._memory_path = memory_path
        self._waiting: deque[Row] = deque(maxlen=MOST_WAITING)
        self._memory: bytes | None = None
        self._written_memory: bytes | None = None
        self._change = threading.Condition()
        self._old = False
        self._ending = False
        self.trouble: str | None = None
        self.dropped = 0
        self._thread = threading.Thread(target=self._run, name="scribe", daemon=True)

    def start(self) -> None:
        """Begin to write."""
        self._thread.start()

    def put(self, row: Row) -> None:
        """Log a row, as soon as the disk takes it."""
        with self._change:
            self.dropped += len(self._waiting) == MOST_WAITING
            self._waiting.append(row)
            self._change.notify()

    def remember(self, memory: bytes) -> None:
        """Keep this instead of the memory written before."""
        with self._change:
            self._memory = memory
            self._change.notify()

    def let_go(self) -> None:
        """Forget what is too old, when there is nothing more urgent to do."""
        with self._change:
            self._old = True
            self._change.notify()

    def end(self, wait_s: float) -> bool:
        """Write what waits and end; False where that took longer than `wait_s`."""
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
                old, self._old = self._old, False
            done = self._try(partial(self._write_rows, rows)) and self._try(partial(self._write_memory, memory))
            if old:
                self._try(lambda: self._log.let_go(datetime.now(UTC)))
            if ending:
                self._log.close()
                return
            if not done:
                with self._change:
                    self._change.wait_for(lambda: self._ending, RETRY_S)

    def _has_work(self) -> bool:
        return bool(self._waiting) or self._old or self._memory != self._written_memory or self._ending

    def _try(self, write: Callable[[], None]) -> bool:
        try:
            write()
        except (sqlite3.Error, OSError) as error:
            if self.trouble is None:
                logger.error("The state folder takes nothing: %s. It waits in memory.", error)
            self.trouble = str(error)
            return False
        self.trouble = None
        return True

    def _write_rows(self, rows: Sequence[Row]) -> None:
        if not rows:
            return
        self._log.write(rows)
        with self._change:
            for row in rows:
                if self._waiting and self._waiting[0] is row:
                    self._waiting.popleft()

    def _write_memory(self, memory: bytes | None) -> None:
        if memory is not None and memory != self._written_memory:
            replace_file(self._memory_path, memory)
            self._written_memory = memory
