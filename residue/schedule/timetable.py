"""The timetable of rooms in step: when each performance of an opening begins.

It follows from the hours, the programme and the lengths alone. So rooms with the same files agree without a word, and
one that comes late knows what is due. A house that stays open plays over midnight what is under way then, with its rest
(Opening.goes_on).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import ceil

import msgspec

from residue.schedule.agenda import AgendaEntry, plays, since_it_opened
from residue.schedule.calendar import Calendar
from residue.schedule.opening import Opening
from residue.schedule.programme import Programme, pool

LEAST_REST_S = 5.0
"""Between two performances, so that every room has ended the one and is ready for the next. Our choice."""
AHEAD_S = 4.0
"""A turn is ordered so long before it begins: time to open it, and for what cap stage and device hold."""
TOO_LATE_S = 10.0
"""A performance with less left is not joined any more: it would end soon after the fade-in."""
OVER_S = 5.0
"""A turn that still has not ended so long after its time is another one's."""


@dataclass(frozen=True, slots=True)
class Timetable:
    """An opening, and its performances in order, each from a whole second on.

    Where the house stays open at midnight, the opening lasts until its last performance has ended, and the next begins
    then.
    """

    opening: Opening
    entries: Sequence[AgendaEntry]


def timetables(
    calendar: Calendar, opening: Opening, programme: Programme, duration_s: Mapping[str, float]
) -> Sequence[Timetable] | None:
    """That of an opening, after those since which the house stays open; None where a length is not known.

    So that no room needs to know since when a house is open that never closes, the first of a month begins at
    midnight, with the first performance: none begins before it that would not end before it.
    """
    openings = since_it_opened(calendar, opening, opening.opens.date().replace(day=1))
    if any(name not in duration_s for one in openings for name in pool(programme, one)):
        return None
    whole = msgspec.structs.replace(
        programme,
        rest_s=float(ceil(max(LEAST_REST_S, programme.rest_s))),
        first_silence_s=float(ceil(programme.first_silence_s)),
    )
    to_midnight = msgspec.structs.replace(whole, at_closing="whole")
    whole_s = {name: float(ceil(one)) for name, one in duration_s.items()}
    found: list[Timetable] = []
    for one in openings:
        before, goes_on = found[-1] if found else None, one.goes_on and one.closes.day != 1
        terms = whole if goes_on or not one.goes_on else to_midnight
        entries = plays(replace(one, goes_on=goes_on), terms, whole_s, calendar.zone, _last(before))
        closes = max(one.closes, entries[-1].ends) if goes_on and entries else one.closes
        opens = one.opens if before is None else before.opening.closes
        found.append(Timetable(replace(one, opens=opens, closes=closes), entries))
    return found


def _last(before: Timetable | None) -> AgendaEntry | None:
    return before.entries[-1] if before is not None and before.entries else None


KeptTimetable = Callable[[Calendar, Opening | None, Programme, Mapping[str, float], datetime], Timetable | None]


def kept_timetable() -> KeptTimetable:
    """The timetable of a moment, worked out again only where something of it has changed.

    None while no opening is under way, and where a length is not known.
    """
    known: object = None
    found: Sequence[Timetable] | None = None

    def kept(
        calendar: Calendar,
        opening: Opening | None,
        programme: Programme,
        duration_s: Mapping[str, float],
        now: datetime,
    ) -> Timetable | None:
        nonlocal known, found
        asked = (calendar, opening, programme, dict(duration_s))
        if asked != known:
            known = asked
            found = None if opening is None else timetables(calendar, opening, programme, duration_s)
        return next((one for one in found or () if now < one.opening.closes), None)

    return kept


def is_due(entry: AgendaEntry, now: datetime) -> bool:
    """Whether a turn of this entry may be under way."""
    ordered = entry.begins - timedelta(seconds=AHEAD_S + OVER_S)
    return ordered <= now < entry.ends + timedelta(seconds=OVER_S)


def next_due(entries: Sequence[AgendaEntry], now: datetime, unplayable: Mapping[str, str]) -> int | None:
    """The number of the entry to play now, or else next; None where none is left."""
    soonest = now + timedelta(seconds=TOO_LATE_S)
    playable = (n for n, one in enumerate(entries) if one.ends > soonest and one.performance not in unplayable)
    return next(playable, None)
