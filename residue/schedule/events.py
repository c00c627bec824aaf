"""Openings from an iCalendar file: what a curator keeps in any calendar program.

Source: RFC 5545. Reading and recurrence are those of the `icalendar` and `recurring-ical-events` libraries; what is
decided here is what an event means:

- a category says it, or else words of the summary, in any case: see `event_words`;
- an event with times that says nothing is open; one that lasts all day, or has no length, and says nothing is left
  aside;
- closed takes its time from the open ones, not from a private view;
- one that is open may say `trim: -6 dB` and `performances: first-batch, second-batch` in its summary or description;
- what is nearly one of these words stops;
- a cancelled event does not count.
"""

from __future__ import annotations

import datetime as dt
import re
import warnings
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from functools import lru_cache
from pathlib import Path
from zoneinfo import ZoneInfo

import icalendar
import recurring_ical_events

from residue.problems import Finding, ProblemError, Severity, stopping, stops
from residue.schedule.calendar_file import MOST_BYTES, CalendarFile, Meaning, Said, TakenTitle, digest_of
from residue.schedule.event_checks import check_event, times
from residue.schedule.event_words import Words, check_words, event_terms, left_aside, meaning, words_of
from residue.schedule.folding import folded, told_titles
from residue.schedule.opening import EVERYDAY, EventTerms, Opening, by_its_days
from residue.schedule.spans import instant
from residue.schedule.tables import ALWAYS_KNOWN, EventWords
from residue.small_files import read_small

_COUNTS = (Meaning.OPEN, Meaning.PRIVATE_VIEW)
"""The meanings by which the house is open."""
MOST_EVENTS = 5_000
"""Our own bounds: what is larger is not a house's hours, and would take seconds to read (5,000 events: 3 s)."""


def read(
    path: Path,
    zone: ZoneInfo,
    known: Collection[str] | None = None,
    own: EventWords = ALWAYS_KNOWN,
) -> CalendarFile:
    """The openings of a calendar file; times that name no zone are meant in `zone`.

    known: the performances that there are; events may name no others.
    own: the curator's words, beside those that are always known.
    Raises ProblemError with everything that is wrong, by line and date.
    """
    try:
        return _read(path, zone, known, words_of(own))
    except (ProblemError, MemoryError):
        raise
    except Exception as error:  # whatever the libraries make of what any program may write: the house goes on without
        what = f"Its events cannot be worked out: {error}."
        raise stopping(path.name, what, "Export the calendar again.") from error


def _read(path: Path, zone: ZoneInfo, known: Collection[str] | None, words: Words) -> CalendarFile:
    text = _text(path)
    calendars, findings = _parsed(text, path.name)
    events = [
        event for calendar in calendars for event in calendar.walk("VEVENT") if isinstance(event, icalendar.Event)
    ]
    lines = [number for number, line in enumerate(text.splitlines(), 1) if line.strip().upper() == "BEGIN:VEVENT"]
    if len(events) != len(lines):
        what = f"{len(lines)} events begin in it, and {len(events)} are whole."
        raise stopping(path.name, what, "Export the calendar again.")
    terms: dict[EventTerms, str] = {}
    faults: list[Finding] = []
    for event, line in zip(events, lines, strict=True):
        where = f"{path.name}: line {line}"
        found = check_event(event, where) or check_words(event, where, words, known)
        faults += found
        if not found and (meant := meaning(event, words)) in _COUNTS:
            asked = event_terms(event)
            if meant is Meaning.PRIVATE_VIEW or asked != EVERYDAY:
                terms.setdefault(asked, where)
    findings += folded(faults)
    if stops(findings):
        raise ProblemError(findings)
    titles = _titles(events, words)
    findings += told_titles(titles, path.name)
    said = _sayings(calendars, zone, words)
    said(dt.date(2000, 1, 1), 1)  # whatever the libraries cannot work with shows when the first day is worked out
    return CalendarFile(said, digest_of(text.encode()), terms, tuple(findings), titles)


def _titles(events: Iterable[icalendar.Event], words: Words) -> tuple[TakenTitle, ...]:
    counted = Counter((_summary(event), *_taken(event, words)) for event in events)
    return tuple(TakenTitle(title, taken_as, on, times) for (title, taken_as, on), times in counted.items())


def _taken(event: icalendar.Event, words: Words) -> tuple[str, EventTerms]:
    meant = meaning(event, words)
    if _is_cancelled(event):
        return "left aside, as it is cancelled", EVERYDAY
    if meant is Meaning.NOTE:
        return f"left aside, as {left_aside(event)}", EVERYDAY
    return f"taken as {meant}", event_terms(event) if meant in _COUNTS else EVERYDAY


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


def _sayings(
    calendars: Sequence[icalendar.Calendar], zone: ZoneInfo, words: Words
) -> Callable[[dt.date, int], list[Said]]:
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
            if not _is_cancelled(event) and (meant := meaning(event, words)) is not Meaning.NOTE
            for piece in _openings(event, zone, event_terms(event) if meant in _COUNTS else EVERYDAY)
        ]

    return lru_cache(maxsize=4)(during)  # asked for each page twice: for everyday hours and for private views


def _openings(event: icalendar.Event, zone: ZoneInfo, on: EventTerms) -> Iterator[Opening]:
    """One event as it stands; one that lasts for days day by day."""
    why = _summary(event)
    opens, closes = times(event)
    if isinstance(opens, dt.datetime) and isinstance(closes, dt.datetime):
        yield from by_its_days(Opening(_placed(opens, zone), _placed(closes, zone), why, on), zone)
        return
    for n in range((closes - opens).days):
        day = opens + dt.timedelta(days=n)
        yield Opening(instant(day, 0, zone), instant(day + dt.timedelta(days=1), 0, zone), why, on)


def _summary(event: icalendar.Event) -> str:
    return " ".join(str(event.get("SUMMARY", "")).split()) or "calendar"


def _is_cancelled(event: icalendar.Event) -> bool:
    return str(event.get("STATUS", "")).upper() == "CANCELLED"


def _placed(moment: dt.datetime, zone: ZoneInfo) -> dt.datetime:
    return moment.replace(tzinfo=zone) if moment.tzinfo is None else moment
