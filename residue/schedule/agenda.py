"""The agenda of the coming days, in words and as data."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from hashlib import sha256
from itertools import zip_longest
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from residue.problems import ProblemError
from residue.schedule.calendar import Calendar, closing
from residue.schedule.hours import Hours
from residue.schedule.opening import EventTerms, Opening
from residue.schedule.programme import Programme, every_min, item, next_start
from residue.schedule.spans import WEEKDAYS, instant, local
from residue.schedule.tables import Leg
from residue.schedule.tour import zone_at

if TYPE_CHECKING:
    import icalendar


@dataclass(frozen=True, slots=True)
class AgendaEntry:
    """One performance of the agenda."""

    performance: str
    begins: datetime
    ends: datetime
    whole: bool
    """False if closing time interrupts it."""


def plays(
    opening: Opening,
    programme: Programme,
    duration_s: Mapping[str, float],
    zone: ZoneInfo,
    before: AgendaEntry | None = None,
) -> list[AgendaEntry]:
    """The performances of an opening without interruptions, from their durations in seconds (above 0).

    before: the last one of the day before, where the house stays open: it ends first, with the rest after it.
    """
    found: list[AgendaEntry] = []
    earliest = opening.opens + timedelta(seconds=programme.first_silence_s)
    if before is not None:
        earliest = max(earliest, before.ends + timedelta(seconds=programme.rest_s))
    while (begins := next_start(programme, opening, earliest, zone) or earliest) < opening.closes:
        coming = item(programme, opening, len(found))
        ends = begins + timedelta(seconds=duration_s[coming.performance])
        whole = ends <= opening.closes or opening.goes_on
        if not whole and programme.at_closing == "whole":
            break
        finishes = programme.at_closing == "finish" and not opening.then_silent
        heard_until = ends if whole or finishes else opening.closes
        found.append(
            AgendaEntry(coming.performance, local(begins, zone), local(heard_until, zone), whole=heard_until == ends)
        )
        earliest = ends + timedelta(seconds=coming.rest_s)
    return found


def known_plays(
    openings: Sequence[Opening], programme: Programme, duration_s: Mapping[str, float], zone: ZoneInfo
) -> Iterator[list[AgendaEntry]]:
    """The same of openings that follow each other; none where the length of a performance is not known."""
    last, of = None, None
    for opening in openings:
        stays_open = of is not None and of.goes_on and of.closes == opening.opens
        try:
            entries = plays(opening, programme, duration_s, zone, last if stays_open else None)
        except KeyError:
            entries = []
        last, of = entries[-1] if entries else None, opening
        yield entries


def since_it_opened(calendar: Calendar, opening: Opening, earliest: date) -> list[Opening]:
    """The openings since which the house stays open, as far back as those that begin on a day; the given one is last.

    Where the calendar cannot tell of a day, as if the house opened on the next.
    """
    found = [opening]
    with suppress(ProblemError):
        while (day := found[0].opens.date()) > earliest:
            before = calendar.openings(day - _LONGEST, _LONGEST.days)
            if not (before and before[-1].goes_on and before[-1].closes == found[0].opens):
                break
            found.insert(0, before[-1])
    return found


def data(calendar: Calendar, first: date, days: int) -> dict[str, object]:
    """JSON-ready: {time_zone, openings: [{opens, closes, why, trim_db, performances}]}, times in ISO 8601 with offset.

    performances: those that replace the programme's; empty for the programme's.
    """
    return {
        "time_zone": zone_at(calendar.zone, instant(first, 0, calendar.zone)).key,
        "openings": [
            {
                "opens": opening.opens.isoformat(),
                "closes": opening.closes.isoformat(),
                "why": opening.why,
                "trim_db": opening.terms.trim_db,
                "performances": opening.terms.performances,
            }
            for opening in calendar.openings(first, days)
        ],
    }


def ics(
    calendar: Calendar,
    first: date,
    days: int,
    programme: Programme,
    duration_s: Mapping[str, float],
    written: datetime,
    house: str = "",
) -> bytes:
    """The agenda as an iCalendar file (RFC 5545): an event for each opening.

    As hours.ics it gives the same openings on the same terms.

    written: the time of writing.
    house: a name that identifies its events among those of others.
    duration_s: without the length of a performance, openings are written without their performances. Those of a house
    that stays open go on over midnight; where it has been open for more than _MOST_BACK_DAYS, when it began is unknown.

    The n-th opening of a day has the same identity in every export, whenever it begins, so that a calendar program uses
    a later one as an update.
    """
    import icalendar  # the daemon would load 80 modules for it, and mostly never writes such a file

    whole = icalendar.Calendar()
    whole.add("version", "2.0")
    whole.add("prodid", "-//residue//agenda//EN")
    number: Counter[date] = Counter()
    openings = calendar.openings(first, days)
    earliest = first - timedelta(days=_MOST_BACK_DAYS)
    since = since_it_opened(calendar, openings[0], earliest)[:-1] if openings and duration_s else []
    played = list(known_plays([*since, *openings], programme, duration_s, calendar.zone))[len(since) :]
    for opening, following, entries in zip_longest(openings, openings[1:], played):
        day = opening.opens.date()
        number[day] += 1
        name = f"{day:%Y%m%d}-{number[day]}", f"{sha256(house.encode()).hexdigest()[:16]}@residue"
        event = _dated(icalendar.Event(), "-".join(name), written=written, begins=opening.opens, ends=opening.closes)
        event.add("summary", opening.why if opening.why.startswith(_OPEN) else f"{_OPEN}{opening.why}")
        event.add("categories", ["open"])  # independent of the reason
        lines = [*_terms_written(opening.terms), *map(_play, entries)]
        event.add("description", "\n".join(lines))
        whole.add_component(event)
        if opening.then_silent:
            until = opening.closes + _SILENCE_AT_MOST
            ends = until if following is None else min(until, following.opens)
            uid = "-silent-".join(name)
            silence = _dated(icalendar.Event(), uid, written=written, begins=opening.closes, ends=ends)
            silence.add("summary", "Silence")
            silence.add("categories", ["closed"])
            whole.add_component(silence)
    return bytes(whole.to_ical())


def _dated(event: icalendar.Event, uid: str, *, written: datetime, begins: datetime, ends: datetime) -> icalendar.Event:
    event.add("uid", uid)
    event.add("dtstamp", written.astimezone(UTC))
    event.add("sequence", int(written.timestamp()) // 60)  # RFC 5545, 3.8.7.4: greater for a later revision
    event.add("dtstart", begins.astimezone(UTC))
    event.add("dtend", ends.astimezone(UTC))
    return event


def _terms_written(terms: EventTerms) -> Iterator[str]:
    """The terms in the words of an event in hours.ics."""
    if terms.trim_db:
        yield f"trim: {Decimal(str(terms.trim_db)):f} dB"
    if terms.performances:
        yield f"performances: {', '.join(terms.performances)}"


def _play(play: AgendaEntry) -> str:
    cut = "" if play.whole else ", cut by closing"
    return f"{play.begins:%H:%M:%S} to {play.ends:%H:%M:%S}  {play.performance}{cut}"


def at_present(calendar: Calendar, now: datetime) -> str:
    """Whether it is open, and until when."""
    opening, change = calendar.opening_at(now), calendar.next_change(now)
    if opening is not None:
        closes = closing(calendar, opening)
        until = "for more than a week" if closes is None else f"until {_moment(closes, calendar)}"
        return f"Open now, {until}."
    return "Closed now, for more than a year." if change is None else f"Closed now; opens {_moment(change, calendar)}."


def _moment(moment: datetime, calendar: Calendar) -> str:
    return f"{local(moment, calendar.zone):%A %d %B %H:%M}"


def words(calendar: Calendar, first: date, days: int) -> list[str]:
    """One line for each opening and for each day without one, with the length and all that is not ordinary."""
    on: dict[date, list[Opening]] = defaultdict(list)
    for opening in calendar.openings(first, days):
        on[opening.opens.date()].append(opening)
    return [line for n in range(days) for line in _day(first + timedelta(days=n), on, calendar)]


def programme_words(programme: Programme) -> list[str]:
    """[programme] in words, as the house reads it."""
    shares = ", ".join(f"{name} {times} times as often" for name, times in programme.share.items())
    apart = every_min(programme.starts)
    starts = "at " + ", ".join(programme.starts) if apart is None else f"every {apart} min by the clock"
    starts = "on the full hour" if apart == 60 else starts
    return [
        f"Plays {', '.join(programme.performances)}, {_ORDER[programme.order]}{'; ' if shares else ''}{shares}.",
        *(f"On {_DAYS[day]}: {', '.join(names)}." for day, names in programme.weekday.items()),
        f"Rests for {programme.rest_s:g} s after each." if programme.rest_s else "One follows the other at once.",
        *([] if programme.starts == "any time" else [f"Each begins {starts}."]),
        *([f"Begins with {programme.first_silence_s:g} s of silence."] if programme.first_silence_s else []),
        f"Closing time: {_AT_CLOSING[programme.at_closing]}.",
        f"After a hold or a power cut: {_AFTER_INTERRUPTION[programme.after_interruption]}.",
    ]


def clock_words(hours: Hours) -> str:
    """The time zone and `when_clock_is_unsure` in words, as the house reads them."""
    unsure = {"closed": "closed", "open": "open", "last known": "by the time that was known last"}
    meanwhile = f"While the machine is unsure of the time: {unsure[hours.when_clock_is_unsure]}."
    legs = "".join(f", from {leg.first:%d %b %Y} on of {leg.time_zone}" for leg in sorted(hours.leg, key=_begins))
    return f"Times are those of {hours.time_zone}{legs}. {meanwhile}"


def _begins(leg: Leg) -> date:
    return leg.first


_OPEN = "Open: "
_LONGEST = timedelta(days=2)
"""No opening lasts longer: see `settled`."""
_MOST_BACK_DAYS = 31
"""Our own choice: a house is seldom started less often."""
_SILENCE_AT_MOST = timedelta(hours=1)
"""A silence without an opening after it is written with this length; only its beginning matters."""
_DAYS = {
    day: f"{name}s"
    for day, name in zip(
        WEEKDAYS, ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"), strict=True
    )
}
_ORDER = {"listed": "in this order", "shuffled": "in another order every day"}
_MIDNIGHT = "24:00"
_AT_CLOSING = {
    "fade": "the last performance fades out before it",
    "finish": "the last performance runs on past it, to its end",
    "whole": "no performance begins that would not end before it",
}
_AFTER_INTERRUPTION = {
    "resume": "goes on where it was",
    "restart": "begins the performance again",
    "next": "goes on with the next performance",
}


def _day(day: date, on: Mapping[date, list[Opening]], calendar: Calendar) -> list[str]:
    named = f"{day:%a %d %b %Y}"
    if day not in on:
        return [f"{named}  closed"]
    return [f"{named}  {_told(opening, calendar)}" for opening in on[day]]


def _told(opening: Opening, calendar: Calendar) -> str:
    opens, closes = local(opening.opens, calendar.zone), local(opening.closes, calendar.zone)
    nights = (closes.date() - opens.date()).days
    end = closing_time(opening, calendar.zone)
    end += f" on {closes:%a}" if nights and end != _MIDNIGHT else ""
    silence = ", then silence" if opening.then_silent else ""
    change = "; the clock changes" if opens.utcoffset() != closes.utcoffset() else ""
    return f"{opens:%H:%M} to {end}  ({_length(closes - opens)}{change})  {opening.why}{_terms(opening.terms)}{silence}"


def closing_time(opening: Opening, zone: ZoneInfo) -> str:
    """The end of an opening by the clock; 24:00 if it is the end of the day on which it began."""
    opens, closes = local(opening.opens, zone), local(opening.closes, zone)
    shown = f"{closes:%H:%M}"
    return _MIDNIGHT if shown == "00:00" and (closes.date() - opens.date()).days == 1 else shown


def _terms(terms: EventTerms) -> str:
    trim = f", {-terms.trim_db:g} dB lower" if terms.trim_db else ""
    return trim + (f", plays {', '.join(terms.performances)}" if terms.performances else "")


def _length(duration: timedelta) -> str:
    hours, minutes = divmod(round(duration.total_seconds() / 60), 60)
    return f"{hours} h {minutes:02d} min" if minutes else f"{hours} h"
