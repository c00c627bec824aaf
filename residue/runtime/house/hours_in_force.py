"""The hours by which the house goes, exchanged while it runs when a person saves others."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from residue.installation.load import HOURS, Installation, find_performances, read_hours
from residue.problems import ProblemError, stops
from residue.runtime.house.kept_hours import differ, kept
from residue.schedule import agenda
from residue.schedule.beside import CALENDAR_FILE
from residue.schedule.watched import LoadedFiles, Refused, Watched


class HoursInForce:
    """Watches hours.toml and hours.ics; takes them only when all of both can be relied on.

    state: the folder in which the hours in force are kept. happened: told what goes into the event log: kind, text.
    """

    def __init__(
        self,
        installation: Installation,
        state: Path,
        now: Callable[[], datetime],
        happened: Callable[[str, str], None],
    ) -> None:
        self.installation = installation
        """With the hours in force."""
        self.alarms: list[str] = []
        """The faults of the present files; empty while they are in force."""
        self._state = state
        self._now = now
        self._happened = happened
        paths = [installation.folder / HOURS, installation.folder / CALENDAR_FILE]
        self._watched = Watched(paths, self._read)
        if differ(installation):  # they were broken while nothing ran
            self._refuse_at_start()

    def _refuse_at_start(self) -> None:
        try:
            self._read()
        except ProblemError as error:
            self._refuse(error)

    def look(self, monotonic_s: float) -> Installation | None:
        """Called every second or so: the installation with new hours when they have just been taken, else None."""
        match self._watched.look(monotonic_s):
            case LoadedFiles(installation):
                self.installation, self.alarms = kept(installation, self._state), []
                understood = agenda.at_present(installation.calendar, self._now())
                self._happened("hours", f"The new hours are in force. {understood}")
                return self.installation
            case Refused(error):
                self._refuse(error)
        return None

    def _refuse(self, error: ProblemError) -> None:
        self.alarms = [f"The new hours are refused, and the old ones stay in force. {error}"]
        self._happened("hours", self.alarms[0])

    def _read(self) -> Installation:
        folder = self.installation.folder
        performances = find_performances(folder)
        hours, answers, findings = read_hours(folder, performances)
        if hours is None or answers is None or stops(findings):
            raise ProblemError(findings)
        return replace(self.installation, hours=hours, answers=answers, performances=performances)
