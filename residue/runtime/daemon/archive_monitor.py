"""Checks the archive while the house runs: whether performances may be shown, and whether the disk is still good."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from contextlib import suppress
from datetime import date, datetime, timedelta
from pathlib import Path

from residue.archive.performance import FILE_NAME, read_performance
from residue.archive.permission import check_dates
from residue.installation.load import Installation
from residue.problems import Finding, ProblemError
from residue.records import SpoiltRecordError, decode_record, encode_record, read_record
from residue.runtime.journal.event_kinds import READ_AGAIN
from residue.runtime.planning.planning import sources
from residue.runtime.system.beside_loop import in_thread
from residue.runtime.system.child_process import ChildProcess, ProcessStarter
from residue.runtime.system.clock import Clock
from residue.runtime.system.files import replace_file
from residue.schedule.spans import instant, local

logger = logging.getLogger(__name__)

LOOK_S = 60.0
FIRST_S = 600.0
"""After a start the planner works first, and reads everything once."""
NIGHT = timedelta(hours=3)
"""The nightly reading begins at three, or when the machine is switched on later: most houses are closed then."""
NIGHTS_FILE = "reread.json"


class ArchiveMonitor:
    """Reads everything again once a night in another process, and checks the dates of permission.

    in_force: gives the installation; it is called each time. happened: writes into the event log: kind, text. spoilt:
    called when a file has changed without a write.
    """

    def __init__(
        self,
        in_force: Callable[[], Installation],
        state: Path,
        cache: Path,
        clock: Clock,
        happened: Callable[[str, str], None],
        spoilt: Callable[[], None],
        start_process: ProcessStarter = ChildProcess,
    ) -> None:
        self._in_force = in_force
        self._nights_path = state / NIGHTS_FILE
        self._cache = cache
        self._clock = clock
        self._happened = happened
        self._spoilt = spoilt
        self._start_process = start_process
        self._reading: tuple[date, ChildProcess] | None = None
        self._since_s = clock.monotonic_s()
        self._woken = asyncio.Event()
        self._last = self._remembered()
        self._of_permission: tuple[str, ...] = ()
        self._of_disk: tuple[str, ...] = ()

    @property
    def alarms(self) -> list[str]:
        """Performances that may not be shown, and files that are damaged on the disk."""
        return [*self._of_permission, *self._of_disk]

    @property
    def reread_age_s(self) -> float | None:
        """Since the last night began whose reading has ended; None where there is no such night."""
        if self._last is None:
            return None
        zone = self._in_force().calendar.zone
        return (self._clock.now() - (instant(self._last, 0, zone) + NIGHT)).total_seconds()

    async def keep(self) -> None:
        """Checks again and again, for ever."""
        while True:
            try:
                self.look(await in_thread(self.permission))
            except Exception:  # a fault of our own; the house continues to play
                logger.exception("The archive cannot be monitored")
            with suppress(TimeoutError):
                await asyncio.wait_for(self._woken.wait(), LOOK_S)
            self._woken.clear()

    def wake(self) -> None:
        """Checks at once: a nightly reading is due."""
        self._woken.set()

    def end(self) -> None:
        """Ends the work in progress."""
        if self._reading is not None:
            self._reading[1].end()

    def permission(self) -> tuple[str, ...]:
        """Findings on performances of the programme that may not be shown today. Reads the bags."""
        found: list[Finding] = []
        installation = self._in_force()
        day = local(self._clock.now(), installation.calendar.zone).date()
        for name in installation.played:
            with suppress(ProblemError):  # the planner reports that
                performance = read_performance(installation.performances[name] / "data" / FILE_NAME)
                if performance.permission is not None:
                    found += check_dates(performance.permission, name, day)
        return tuple(map(str, found))

    def look(self, permission: tuple[str, ...]) -> None:
        """Reports new findings, and begins or ends the nightly reading when it is time."""
        for words in permission:
            if words not in self._of_permission:
                self._happened("permission", words)
        self._of_permission = permission
        if self._reading is not None:
            self._end_reading(*self._reading)
        elif (night := _night(self._clock.now(), self._in_force())) != self._last and self._settled():
            arguments = [*sources(self._in_force()), str(self._cache)]
            self._reading = night, self._start_process("residue.runtime.daemon.rereading", arguments)

    def _settled(self) -> bool:
        return self._clock.monotonic_s() - self._since_s >= FIRST_S

    def _end_reading(self, night: date, process: ChildProcess) -> None:
        if process.status is None:
            return
        self._reading, self._last = None, night
        if process.status == 0:
            self._read(decode_record(process.said[-1], tuple[Finding, ...]))
        else:
            self._happened("disk", f"The nightly reading failed: {process.complaint}")
        process.end()
        try:
            replace_file(self._nights_path, encode_record(night))
        except OSError as error:
            logger.warning("The nightly reading cannot be noted: %s", error)

    def _read(self, findings: tuple[Finding, ...]) -> None:
        self._of_disk = tuple(map(str, findings))
        for words in self._of_disk:
            self._happened("disk", words)
        if findings:
            self._spoilt()
        else:
            self._happened(READ_AGAIN, "The nightly reading found every file unchanged.")

    def _remembered(self) -> date | None:
        try:
            return read_record(self._nights_path, date)
        except (OSError, SpoiltRecordError):
            return None


def _night(now: datetime, installation: Installation) -> date:
    """The day on which the last night began, by local time."""
    return local(now - NIGHT, installation.calendar.zone).date()
