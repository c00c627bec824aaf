"""The calendar of an installation: hours.toml, and the calendar file beside it where there is one."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from residue.problems import Finding, Severity, stopping
from residue.schedule import events
from residue.schedule.calendar import Calendar
from residue.schedule.hours import Hours, calendar
from residue.schedule.tables import Weekly

CALENDAR_FILE = "hours.ics"


def calendar_of(folder: Path, hours: Hours) -> tuple[Calendar, Sequence[Finding]]:
    """When the house is open, and what the curator may want to know though nothing stops it.

    Raises ProblemError where the calendar file cannot be relied on, or both files give everyday hours.
    """
    path = folder / CALENDAR_FILE
    if not path.exists():
        return calendar(hours), _doubtful(hours)
    if hours.weekly != Weekly() or hours.opening_hours or hours.season:
        what = f"Both this file and {CALENDAR_FILE} say when the house is open from day to day."
        mend = "Leave weekly, opening_hours and season out of hours.toml, or move the calendar file away."
        raise stopping("hours.toml", what, mend)
    read = events.read(path, hours.zone)
    return calendar(hours, read.source), [*_doubtful(hours), *read.findings]


def _doubtful(hours: Hours) -> list[Finding]:
    closed = {day for exception in hours.exception if not exception.open for day in exception.dates}
    mend = "It will be open for that; take one of them out if it is not meant."
    return [
        Finding(Severity.WARNS, "hours.toml", f"{view.date} is closed by an exception, and has a private view.", mend)
        for view in hours.private_view
        if view.date in closed
    ]
