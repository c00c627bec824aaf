"""The hours by which the house goes, exchanged while it runs when a person saves others."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

from residue.installation.load import HOURS, Installation, find_performances, read_hours
from residue.problems import ProblemError, Severity
from residue.schedule import agenda
from residue.schedule.beside import CALENDAR_FILE
from residue.schedule.watched import Refused, Taken, Watched


class HoursInForce:
    """Watches hours.toml and hours.ics; takes them only when all of both can be relied on.

    happened: told what goes into the event log: kind, text.
    """

    def __init__(
        self, installation: Installation, now: Callable[[], datetime], happened: Callable[[str, str], None]
    ) -> None:
        self.installation = installation
        """With the hours in force."""
        self.alarms: list[str] = []
        """What is wrong with the files as they stand now; empty while they are in force."""
        self._now = now
        self._happened = happened
        paths = [installation.folder / HOURS, installation.folder / CALENDAR_FILE]
        self._watched = Watched(paths, self._read)

    def look(self, monotonic_s: float) -> Installation | None:
        """Called every second or so: the installation with new hours when they have just been taken, else None."""
        match self._watched.look(monotonic_s):
            case Taken(installation):
                self.installation, self.alarms = installation, []
                understood = agenda.at_present(installation.calendar, self._now())
                self._happened("hours", f"The new hours are in force. {understood}")
                return installation
            case Refused(error):
                self.alarms = [f"The new hours are refused, and the old ones stay in force. {error}"]
                self._happened("hours", self.alarms[0])
        return None

    def _read(self) -> Installation:
        folder = self.installation.folder
        performances = find_performances(folder)
        hours, answers, findings = read_hours(folder, performances)
        if hours is None or answers is None or any(finding.severity is Severity.STOPS for finding in findings):
            raise ProblemError(findings)
        return replace(self.installation, hours=hours, answers=answers, performances=performances)
