"""Checks one event of an iCalendar file and names its faults in words for a curator."""

from __future__ import annotations

import datetime as dt
from typing import Any

import icalendar

from residue.problems import Finding, Severity

_TOO_OFTEN = frozenset({"SECONDLY", "MINUTELY", "HOURLY"})
"""Frequencies of RFC 5545, 3.3.10, that are too high for openings."""
_SHOWN = 160
"""The most characters of a text of the file that a message shows; the errors of the library contain its lines."""


def times(event: icalendar.Event) -> tuple[dt.date, dt.date]:
    """Begin and end, each a date for an event that lasts all day, else a date with time.

    Source: RFC 5545, 3.6.1: an event that begins on a date and has no end lasts that day; one that begins at a time and
    has no end has no length.
    """
    begins = event.DTSTART
    if begins is None:
        raise icalendar.IncompleteComponent("No DTSTART given.")
    if event.DTEND is not None:
        return begins, event.DTEND
    if event.DURATION is not None:
        return begins, begins + event.DURATION
    return begins, begins if isinstance(begins, dt.datetime) else begins + dt.timedelta(days=1)


def check_event(event: icalendar.Event, where: str) -> list[Finding]:
    """All faults of an event. where: file and line at which it begins."""
    what_mend = _unreadable(event) or _without_start(event) or _zone(event) or _end(event) or _rule(event)
    return [Finding(Severity.STOPS, where, f"{called(event)} {what_mend[0]}", what_mend[1])] if what_mend else []


EventFault = tuple[str, str] | None


def called(event: icalendar.Event) -> str:
    """The event in words for people, by summary and date."""
    named = f"The event '{_shortened(str(event.get('SUMMARY', '')))}'"
    value: Any = event.get("DTSTART")
    begins = None if event.errors or isinstance(value, list) or value is None else value.dt
    return named if begins is None else f"{named} of {begins:%Y-%m-%d}"


def _unreadable(event: icalendar.Event) -> EventFault:
    mend = "Save it again in the calendar program."
    if event.errors:
        name, error = event.errors[0]
        return f"has a {name or 'line'} that cannot be read: {_shortened(str(error))}.", mend
    try:
        _ = event.DTSTART, event.DTEND, event.DURATION
    except icalendar.InvalidCalendar as error:
        return f"is no event of RFC 5545: {error}", mend
    return None


def _shortened(text: str) -> str:
    """A text of the file, which may be as long as the file."""
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}…"


def _without_start(event: icalendar.Event) -> EventFault:
    return None if event.DTSTART is not None else ("has no start.", "Give it a date.")


def _zone(event: icalendar.Event) -> EventFault:
    for name in ("DTSTART", "DTEND"):
        value: Any = event.get(name)
        zone = value.params.get("TZID") if value is not None else None
        if zone is not None and isinstance(value.dt, dt.datetime) and value.dt.tzinfo is None:
            return f"is in the time zone '{zone}', which is unknown.", "Choose a zone such as Europe/Berlin."
    return None


def _end(event: icalendar.Event) -> EventFault:
    begins, ends = times(event)
    if isinstance(begins, dt.datetime) != isinstance(ends, dt.datetime):
        return "has a date at one end and a time at the other.", "Give it two dates, or two times."
    if _is_zoned(begins) != _is_zoned(ends):
        return "names a time zone at one end only.", "Give both ends the same zone."
    if ends < begins:
        return "ends before it begins.", "Set its end after its start."
    return None


def _is_zoned(moment: dt.date) -> bool:
    return isinstance(moment, dt.datetime) and moment.tzinfo is not None


def _rule(event: icalendar.Event) -> EventFault:
    rules: Any = event.get("RRULE", [])
    for rule in rules if isinstance(rules, list) else [rules]:
        frequency = str(rule.get("FREQ", [""])[0]).upper()
        if frequency in _TOO_OFTEN:
            return f"is repeated {frequency.lower()}.", "A house opens daily, weekly, monthly or yearly."
        if any(int(interval) < 1 for interval in rule.get("INTERVAL", [])):  # RFC 5545, 3.3.10: a positive integer
            return "is repeated without a step between.", "Leave INTERVAL out of its rule, or write 1 or more."
    return None
