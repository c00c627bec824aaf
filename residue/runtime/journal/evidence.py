"""Logs the sound of a run other than the daemon's: the caps count it when the house plays again."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from residue.loudness.stage.readings import Tally
from residue.runtime.journal.event_kinds import CUT, ENDED, STARTED
from residue.runtime.journal.log import FILE_NAME, LevelLog, event
from residue.runtime.journal.log_writer import LogWriter
from residue.runtime.journal.tallies import Circumstances, Tallies
from residue.runtime.system.clock import Clock, uptime
from residue.runtime.system.folders import unwritten_file

_WRITER_S = 2.0
"""For writing what still waits: nobody and nothing that would not wait so long is there, as systemd is for a house."""


class Evidence:
    """Of a calibration, or of a recording.

    state: the folder of the level log. log: the log in it.
    """

    def __init__(self, state: Path, clock: Clock) -> None:
        self.log = LevelLog(state / FILE_NAME, unwritten_file(state))
        self._writer, self._tallies, self._clock = LogWriter(self.log, Path()), Tallies(), clock
        self._cut = False

    def sent(self, tally: Tally, then: Circumstances) -> None:
        """Log a second or so; makes nobody wait."""
        for row in self._tallies.rows(tally, self._clock.now(), uptime(), then):
            self._writer.put(row)

    def happened(self, kind: str, text: str) -> None:
        """Log what was done."""
        self._writer.put(event(self._clock.now(), uptime(), kind, text))

    def cut(self, why: str) -> None:
        """It ends without having logged all that it sent."""
        self._cut = True
        self.happened(CUT, why)

    @contextmanager
    def kept(self, started: str, ended: str) -> Iterator[None]:
        """Write within the context. Of a run without an end, what was not logged counts as sent."""
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
