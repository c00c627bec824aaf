"""The calendar of an installation: hours.toml, and the calendar file beside it if there is one."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from residue.problems import Finding, stopping
from residue.schedule.calendar import Calendar
from residue.schedule.calendar_file import CalendarFile
from residue.schedule.expansion import expanded, kept
from residue.schedule.hours import Hours, calendar
from residue.schedule.opening import EventTerms
from residue.schedule.special_days import joined, terms_of

CALENDAR_FILE = "hours.ics"


@dataclass(frozen=True)
class Answers:
    """The meaning of both files together.

    events: the calendar file.
    terms: those of private views, each with its place in the file. findings: facts for the curator that stop nothing.
    """

    calendar: Calendar
    events: CalendarFile | None
    terms: Mapping[EventTerms, str]
    findings: Sequence[Finding]


def calendar_of(folder: Path, hours: Hours, known: Collection[str] | None = None) -> Answers:
    """The open times of the house. known: the existing performances.

    Raises ProblemError where the calendar file is not reliable, or both files give everyday hours.
    """
    path = folder / CALENDAR_FILE
    of_days = terms_of(hours.exception)
    views = {
        view.terms: f"hours.toml: private_view[{number}]" for number, view in enumerate(hours.private_view, start=1)
    }
    terms = {**of_days, **views}
    if not path.exists():
        if not hours.ever:
            what = f"Nothing says when the house is open, and there is no {CALENDAR_FILE}."
            raise stopping("hours.toml", what, "Write spans under [weekly], or put the calendar file beside it.")
        return Answers(calendar(hours), None, terms, ())
    if hours.everyday:
        what = f"Both this file and {CALENDAR_FILE} say when the house is open from day to day."
        mend = "Leave weekly, opening_hours and season out of hours.toml, or move the calendar file away."
        raise stopping("hours.toml", what, mend)
    found = kept(path, hours.zone, hours.calendar) or expanded(path, hours.zone, known, hours.calendar)
    both = calendar(hours, found.everyday, found.private_views)
    met = {joined(own, day): where for own, where in found.terms.items() for day in of_days}
    return Answers(both, found, {**met, **found.terms, **terms}, found.findings)
