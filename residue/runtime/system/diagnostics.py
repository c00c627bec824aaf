"""Messages and the status line on standard error, from a thread of their own.

Standard error may be a pipe to a journal that takes no more data; then every writer waits for ever. So only this thread
writes, and messages that come too fast are dropped.
"""

from __future__ import annotations

import logging
import os
import sys
import threading
from queue import Full, Queue
from shutil import get_terminal_size
from types import TracebackType
from typing import TextIO

MOST_WAITING = 1_000
END_S = 0.3
_CLEAR = "\r\x1b[K"
_JOURNAL_LEVELS = {logging.DEBUG: 7, logging.INFO: 6, logging.WARNING: 4, logging.ERROR: 3, logging.CRITICAL: 2}
"""Priorities of sd-daemon(3)."""


class Diagnostics(logging.Handler):
    """All log messages of the process while the context is entered; `show` gives the status line.

    On a terminal the status line stays at the bottom; for the journal each message is marked with its priority.
    """

    def __init__(self, out: TextIO | None = None) -> None:
        super().__init__(logging.INFO)
        self._out = out or sys.stderr
        self._queue: Queue[str | None] = Queue(MOST_WAITING)
        self._journal = "JOURNAL_STREAM" in os.environ
        self.terminal = self._out.isatty() and not self._journal
        self.dropped = 0
        self._levels_before: list[tuple[logging.Logger, int]] = []
        self._thread = threading.Thread(target=self._run, name="diagnostics", daemon=True)

    def __enter__(self) -> Diagnostics:
        root, scheduler = logging.getLogger(), logging.getLogger("apscheduler")
        self._levels_before = [(root, root.level), (scheduler, scheduler.level)]
        root.addHandler(self)
        root.setLevel(logging.INFO)
        scheduler.setLevel(logging.ERROR)  # it reports every job that it runs
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        logging.getLogger().removeHandler(self)
        for told_of, level in self._levels_before:
            told_of.setLevel(level)
        self._put(None)
        self._thread.join(END_S)

    def emit(self, record: logging.LogRecord) -> None:
        """Queues a message."""
        mark = f"<{_JOURNAL_LEVELS.get(record.levelno, 6)}>" if self._journal else ""
        clear = _CLEAR if self.terminal else ""
        self._put("".join(f"{clear}{mark}{line}\n" for line in self.format(record).splitlines()))

    def show(self, line: str) -> None:
        """Queues a status line; on a terminal the next one replaces it."""
        if not self._journal:
            self._put(f"{_CLEAR}{line[: get_terminal_size().columns - 1]}" if self.terminal else f"{line}\n")

    def _put(self, text: str | None) -> None:
        try:
            self._queue.put_nowait(text)
        except Full:
            self.dropped += 1

    def _run(self) -> None:
        while (text := self._queue.get()) is not None:
            try:
                self._out.write(text)
                self._out.flush()
            except (OSError, ValueError):  # nobody reads it any more
                self.dropped += 1
        if self.terminal:
            self._out.write("\n")
