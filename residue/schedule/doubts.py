"""Finds oddities in the hours that a curator should check, although they stop nothing."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

from residue.problems import Finding, Severity
from residue.schedule.beside import CALENDAR_FILE, Answers
from residue.schedule.calendar_file import Meaning
from residue.schedule.folding import folded
from residue.schedule.hours import Hours, openings_on
from residue.schedule.opening import Opening, without
from residue.schedule.programme import next_start
from residue.schedule.spans import instant

_HOURS = "hours.toml"


def doubts(hours: Hours, answers: Answers, first: date, days: int) -> list[Finding]:
    """Finds events on closed days, openings outside the security hours, and a house that never opens."""
    openings = answers.calendar.openings(first, days)
    found = [*_views_on_closed_days(hours, answers, first, days), *_left_out(answers, first, days)]
    if hours.security is not None:
        found += _unwatched(hours, openings)
    if not openings and answers.calendar.next_change(instant(first, 0, hours.zone)) is None:
        found.append(Finding(Severity.WARNS, _HOURS, "The house never opens.", "Write spans under [weekly]."))
    if openings and not any(_may_begin(hours, opening) for opening in openings):
        what = f"No performance may begin in any opening from {_told(first)} on."
        mend = "Write starts within the hours, or a shorter first_silence_s."
        found.append(Finding(Severity.WARNS, f"{_HOURS}: programme", what, mend))
    return folded(found)


_FAR_OFF = timedelta(days=366)
"""Our own bound: a later date is most likely a wrong year."""


def out_of_time(hours: Hours, today: date) -> list[Finding]:
    """Finds exceptions, private views and seasons whose days are all past, or begin more than a year from now."""
    dated = [
        *(
            ("exception", number, one.why, one.date or one.first, one.last)
            for number, one in enumerate(hours.exception, start=1)
        ),
        *(
            ("private_view", number, one.why, one.date or one.first, one.last)
            for number, one in enumerate(hours.private_view, start=1)
        ),
        *(("season", number, one.name, one.first, one.until) for number, one in enumerate(hours.season, start=1)),
    ]
    found: list[Finding] = []
    for table, number, why, begins, ends in dated:
        where = f"{_HOURS}: {table}[{number}]"
        if ends is not None and ends < today:
            what = f"All its days are past, the last was {_told(ends)} ({why})."
            found.append(Finding(Severity.NOTES, where, what, "Remove it, or write the year that is meant."))
        elif begins is not None and begins > today + _FAR_OFF:
            what = f"It is far off: its first day is {_told(begins)} ({why})."
            found.append(Finding(Severity.WARNS, where, what, "Look whether this is the year that is meant."))
    return folded(found)


def _may_begin(hours: Hours, opening: Opening) -> bool:
    """Whether a performance may begin before an opening is over."""
    earliest = opening.opens + timedelta(seconds=hours.programme.first_silence_s)
    return (next_start(hours.programme, opening, earliest, hours.zone) or earliest) < opening.closes


def _views_on_closed_days(hours: Hours, answers: Answers, first: date, days: int) -> Iterator[Finding]:
    """Finds private views on closed days: they are open nevertheless, and may be forgotten."""
    mend = "The house will be open for it. Remove one of them if that is a mistake."
    closed = _closed_days(hours, answers, first, days)
    views = [(day, view.why, _HOURS) for view in hours.private_view for day in closed if view.hold_on(day)]
    if answers.events is not None:
        views += [(one.opens.date(), one.why, CALENDAR_FILE) for one in answers.events.private_views(first, days)]
    for day, why, file in sorted(views):
        if day in closed:
            what = f"{_told(day)} is closed ({closed[day]}), and has a private view ({why})."
            yield Finding(Severity.WARNS, file, what, mend)


def _closed_days(hours: Hours, answers: Answers, first: date, days: int) -> dict[date, str]:
    """The days that are closed as a whole, with the reason."""
    closed: dict[date, str] = {}
    wanted = [first + timedelta(days=n) for n in range(days)]
    if answers.events is not None:
        whole = timedelta(hours=23)  # a day on which the clock goes forward
        for one in answers.events.said(first, days):
            if one.meaning is Meaning.CLOSED and one.piece.closes - one.piece.opens >= whole:
                closed[one.piece.opens.date()] = one.piece.why
    for day in wanted:
        said = hours.special(day)
        if said.open is not None:
            closed.pop(day, None)
            if not said.open:
                closed[day] = said.why
    return {day: closed[day] for day in wanted if day in closed}


def _left_out(answers: Answers, first: date, days: int) -> Iterator[Finding]:
    """Finds single events of the calendar file without an opening."""
    openings = answers.calendar.openings(first - timedelta(days=1), days + 1)  # one may be joined with last night's
    mend = "Remove the event, or the entry that closes the house on that day."
    for one in answers.events.said(first, days) if answers.events is not None else ():
        open_then = any(opening.opens < one.piece.closes and one.piece.opens < opening.closes for opening in openings)
        if one.meaning is Meaning.OPEN and one.once and not open_then and one.piece.opens.date() >= first:
            what = f"{_told(one.piece.opens.date())} has an event ({one.piece.why}), but the house is closed then."
            yield Finding(Severity.WARNS, CALENDAR_FILE, what, mend)


def _unwatched(hours: Hours, openings: list[Opening]) -> Iterator[Finding]:
    """Finds openings outside the security hours; a weekly one appears once, with its count."""
    mend = "Have somebody there, change the hours, or add it to [security]."
    times: dict[tuple[str, str], list[date]] = {}
    for opening in openings:
        for piece in without([opening], _watched(hours, opening)):
            when = f"{piece.opens:%a} {piece.opens:%H:%M} to {piece.closes:%H:%M}"
            times.setdefault((when, piece.why), []).append(opening.opens.date())
    for (when, why), dates in times.items():
        on = f"on {_told(dates[0])}" if len(dates) == 1 else f"{len(dates)} times from {_told(dates[0])} on"
        what = f"{when} ({why}) is outside the security hours, {on}."
        yield Finding(Severity.WARNS, _HOURS, what, mend)


def _watched(hours: Hours, opening: Opening) -> Iterator[Opening]:
    """The security hours that may be within an opening, with those of the night before."""
    week = [] if hours.security is None else hours.security.days
    day = opening.opens.date() - timedelta(days=1)
    while week and day <= opening.closes.date():
        yield from openings_on(day, week[day.weekday()], "security", hours.zone)
        day += timedelta(days=1)


def _told(day: date) -> str:
    return f"{day:%a %d %b %Y}"
