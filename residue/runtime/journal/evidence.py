"""Logs the sound of a run other than the daemon's: the caps count it when the house plays again."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from residue.loudness.stage.history import LogLag
from residue.loudness.stage.readings import Tally
from residue.runtime.journal.event_kinds import CUT, ENDED, STARTED
from residue.runtime.journal.log import FILE_NAME, LevelLog, event
from residue.runtime.journal.log_writer import LogWriter
from residue.runtime.journal.tallies import Circumstances, Tallies
from residue.runtime.system.clock import Clock, uptime

_WRITER_S = 2.0
"""The time for writing rows that still wait; it may be long, because no systemd waits, as it does for a house."""


class Evidence:
    """The level log of a calibration or a recording.

    state: the folder of the level log. log: the log in it.
    """

    def __init__(self, state: Path, clock: Clock) -> None:
        self.log = LevelLog(state / FILE_NAME)
        self._writer, self._tallies, self._clock = LogWriter(self.log, Path()), Tallies(), clock
        self._cut = False

    def lags(self, frames: int) -> LogLag:
        """What the disk does not tell yet of so many frames of the run."""
        return self._writer.lags(frames)

    def sent(self, tally: Tally, then: Circumstances) -> None:
        """Logs the levels of about a second, without waiting."""
        for row in self._tallies.rows(tally, self._clock.now(), uptime(), then):
            self._writer.put(row)
        self._writer.mark(self._tallies.told_frames)

    def happened(self, kind: str, text: str) -> None:
        """Logs an event."""
        self._writer.put(event(self._clock.now(), uptime(), kind, text))

    def cut(self, why: str) -> None:
        """Notes that the run ends without having logged everything that it sent."""
        self._cut = True
        self.happened(CUT, why)

    @contextmanager
    def kept(self, started: str, ended: str) -> Iterator[None]:
        """Writes the log within the context. In a run without an end, time without a row counts as sent."""
        self._writer.start()
        self.happened(STARTED, started)
        try:
            yield
        finally:
            for row in self._tallies.rest():
                self._writer.put(row)
            if not self._cut:
                self.happened(ENDED, ended)
            self._writer.end(_WRITER_S)
