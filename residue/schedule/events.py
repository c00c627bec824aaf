"""Openings from an iCalendar file: what a curator keeps in any calendar program.

Source: RFC 5545. Reading and recurrence are those of the `icalendar` and `recurring-ical-events` libraries; what is
decided here is what an event means:

- a category says it, or else whole words of the summary, in any case: see `WORDS`;
- an event with times that says nothing is open; one that lasts all day and says nothing is a note, and left aside;
- closed takes its time from the open ones, not from a private view;
- a private view may say `trim: -6 dB` and `performances: first-batch, second-batch` in its description;
- a cancelled event does not count.
"""

from __future__ import annotations

import datetime as dt
import re
import warnings
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from functools import lru_cache
from math import isnan, nan
from pathlib import Path
from zoneinfo import ZoneInfo

import icalendar
import recurring_ical_events

from residue.problems import Finding, ProblemError, Severity, nearest, stopping, stops
from residue.schedule.calendar_file import MOST_BYTES, CalendarFile, Meaning, Said, digest_of
from residue.schedule.event_checks import called, check_event, times
from residue.schedule.opening import EVERYDAY, EventTerms, Opening
from residue.schedule.spans import instant, local
from residue.small_files import read_small

MOST_EVENTS = 5_000
"""Our own bounds: what is larger is not a house's hours, and would take seconds to read (5,000 events: 3 s)."""


WORDS: Mapping[Meaning, tuple[str, ...]] = {
    Meaning.CLOSED: ("closed", "closure", "shut", "geschlossen", "ruhetag", "fermé", "fermée", "chiuso", "cerrado"),
    Meaning.PRIVATE_VIEW: ("private view", "preview", "vernissage"),
    Meaning.OPEN: ("open", "opening", "geöffnet", "offen", "ouvert", "aperto", "abierto"),
}
"""The words by which an event says what it means; the first that is found decides."""

_TRIM = re.compile(r"\btrim\b\s*[:=]?\s*(?:([-−–]?)\s*(\d+(?:[.,]\d+)?))?", re.IGNORECASE)
_MARKUP = re.compile(r"<[^<>]*>")
"""Some calendar programs write descriptions as HTML."""
_PERFORMANCES = re.compile(r"performances?\s*[:=]\s*(.+)", re.IGNORECASE)


def read(path: Path, zone: ZoneInfo, known: Collection[str] | None = None) -> CalendarFile:
    """The openings of a calendar file; times that name no zone are meant in `zone`.

    known: the performances that there are; private views may name no others.
    Raises ProblemError with everything that is wrong, by line and date.
    """
    try:
        return _read(path, zone, known)
    except ProblemError:
        raise
    except Exception as error:  # whatever the libraries make of what any program may write: the house goes on without
        what = f"Its events cannot be worked out: {error}."
        raise stopping(path.name, what, "Export the calendar again.") from error


def _read(path: Path, zone: ZoneInfo, known: Collection[str] | None) -> CalendarFile:
    text = _text(path)
    calendars, findings = _parsed(text, path.name)
    events = [
        event for calendar in calendars for event in calendar.walk("VEVENT") if isinstance(event, icalendar.Event)
    ]
    lines = [number for number, line in enumerate(text.splitlines(), 1) if line.strip().upper() == "BEGIN:VEVENT"]
    if len(events) != len(lines):
        what = f"{len(lines)} events begin in it, and {len(events)} are whole."
        raise stopping(path.name, what, "Export the calendar again.")
    private: dict[EventTerms, str] = {}
    for event, line in zip(events, lines, strict=True):
        where = f"{path.name}: line {line}"
        found = check_event(event, where) or _check_terms(event, where, known)
        findings += found
        if not found and meaning(event) is Meaning.PRIVATE_VIEW:
            private.setdefault(event_terms(event), where)
    if stops(findings):
        raise ProblemError(findings)
    said = _sayings(calendars, zone)
    said(dt.date(2000, 1, 1), 1)  # whatever the libraries cannot work with shows when the first day is worked out
    return CalendarFile(said, digest_of(text.encode()), private, tuple(findings))


def meaning(event: icalendar.Event) -> Meaning:
    """The meaning of an event, by its categories, else by its summary, else by whether it has times."""
    categories = [str(name).strip().casefold() for name in event.categories]
    said = next((meant for meant, words in WORDS.items() if any(name in words for name in categories)), None)
    if said is not None:
        return said
    summary = str(event.get("SUMMARY", "")).casefold()
    for meant, words in WORDS.items():
        if any(re.search(rf"\b{re.escape(word)}\b", summary) for word in words):
            return meant
    return Meaning.OPEN if isinstance(event.DTSTART, dt.datetime) else Meaning.NOTE


def event_terms(event: icalendar.Event) -> EventTerms:
    """The terms of a private view, from its description."""
    description = _MARKUP.sub("\n", str(event.get("DESCRIPTION", "")))
    trim, performances = _TRIM.search(description), _PERFORMANCES.search(description)
    names = performances[1].split(",") if performances else []
    trim_db = 0.0
    if trim is not None:
        size_db = float(trim[2].replace(",", ".")) if trim[2] else nan
        trim_db = -size_db if trim[1] else size_db
    return EventTerms(trim_db, tuple(name.strip() for name in names if name.strip()))


def _text(path: Path) -> str:
    name = path.name
    try:
        if path.stat().st_size > MOST_BYTES:
            raise stopping(name, f"The file is larger than {MOST_BYTES // 1_000_000} MB.", "Export only the hours.")
        content = read_small(path, MOST_BYTES)
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise stopping(f"{name}: line {line}", "This is not UTF-8 text.", "Export the calendar as UTF-8.") from error
    except OSError as error:
        raise stopping(
            name, f"The file cannot be read: {error.strerror}.", "Put it back, or check its permissions."
        ) from error
    if not text.strip():
        raise stopping(
            name, "The file is empty.", "Export the calendar again, or remove the file to use hours.toml alone."
        )
    count = len(re.findall(r"^BEGIN:VEVENT", text, re.MULTILINE | re.IGNORECASE))
    if count > MOST_EVENTS:
        raise stopping(
            name, f"There are {count} events, more than {MOST_EVENTS}.", "Export only the hours of the house."
        )
    return text


def _parsed(text: str, name: str) -> tuple[list[icalendar.Calendar], list[Finding]]:
    try:
        with warnings.catch_warnings(record=True) as doubts:
            warnings.simplefilter("always")
            # Forgets the zones of files read before: this one may use their names for others.
            icalendar.timezone.tzp.use_zoneinfo()
            found = icalendar.Calendar.from_ical(text, multiple=True)
    except (ValueError, KeyError, IndexError) as error:
        what = f"This is not a whole iCalendar file: {str(error).splitlines()[0][:120]}."
        raise stopping(name, what, "Export the calendar again.") from error
    calendars = [one for one in found if isinstance(one, icalendar.Calendar)]
    if not calendars:
        raise stopping(name, "There is no calendar in this file.", "Export the calendar as iCalendar (.ics).")
    mend = "Check with `residue hours` that the openings are right."
    return calendars, [Finding(Severity.WARNS, name, str(doubt.message), mend) for doubt in doubts]


def _check_terms(event: icalendar.Event, where: str, known: Collection[str] | None) -> list[Finding]:
    if meaning(event) is Meaning.NOTE:
        what = f"{called(event)} lasts all day and says neither open nor closed: it is ignored."
        return [Finding(Severity.NOTES, where, what, "Add one of these words if it should count.")]
    if meaning(event) is not Meaning.PRIVATE_VIEW:
        return []
    on, found = event_terms(event), []
    if not -40.0 <= on.trim_db <= 0.0:
        asked = "a trim that cannot be read" if isnan(on.trim_db) else f"a trim of {on.trim_db:g} dB"
        mend = "A trim only lowers: write one from -40 to 0, such as trim: -6 dB."
        found.append(Finding(Severity.STOPS, where, f"{called(event)} asks for {asked}.", mend))
    for name in on.performances:
        if known is not None and name not in known:
            what = f'{called(event)} asks for a performance "{name}", which there is not.'
            found.append(Finding(Severity.STOPS, where, what, nearest(name, known)))
    return found


def _sayings(calendars: Sequence[icalendar.Calendar], zone: ZoneInfo) -> Callable[[dt.date, int], list[Said]]:
    queries = [recurring_ical_events.of(calendar) for calendar in calendars]
    repeated = {
        str(event.get("UID"))
        for calendar in calendars
        for event in calendar.walk("VEVENT")
        if "RRULE" in event or "RDATE" in event
    }

    def during(first: dt.date, days: int) -> list[Said]:
        begin, end = instant(first, 0, zone), instant(first + dt.timedelta(days=days), 0, zone)
        happening = [event for query in queries for event in query.between(begin, end)]
        return [
            Said(meant, piece, once=str(event.get("UID")) not in repeated)
            for event in happening
            if str(event.get("STATUS", "")).upper() != "CANCELLED" and (meant := meaning(event)) is not Meaning.NOTE
            for piece in _openings(event, zone, event_terms(event) if meant is Meaning.PRIVATE_VIEW else EVERYDAY)
        ]

    return lru_cache(maxsize=4)(during)  # asked for each page twice: for everyday hours and for private views


def _openings(event: icalendar.Event, zone: ZoneInfo, on: EventTerms) -> Iterator[Opening]:
    """One event as it stands; one that lasts for days day by day."""
    why = str(event.get("SUMMARY", "")).strip() or "calendar"
    opens, closes = times(event)
    if isinstance(opens, dt.datetime) and isinstance(closes, dt.datetime):
        yield Opening(local(_placed(opens, zone), zone), local(_placed(closes, zone), zone), why, on)
        return
    for n in range((closes - opens).days):
        day = opens + dt.timedelta(days=n)
        yield Opening(instant(day, 0, zone), instant(day + dt.timedelta(days=1), 0, zone), why, on)


def _placed(moment: dt.datetime, zone: ZoneInfo) -> dt.datetime:
    return moment.replace(tzinfo=zone) if moment.tzinfo is None else moment
