"""The timetable of rooms in step: when each performance of an opening begins.

It follows from the hours, the programme and the lengths alone. So rooms with the same files agree without a word, and
one that comes late knows what is due.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta
from math import ceil
from zoneinfo import ZoneInfo

import msgspec

from residue.schedule.agenda import AgendaEntry, plays
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


def timetable(
    opening: Opening, programme: Programme, duration_s: Mapping[str, float], zone: ZoneInfo
) -> Sequence[AgendaEntry] | None:
    """The performances of an opening in order, each from a whole second on; None where a length is not known."""
    if any(name not in duration_s for name in pool(programme, opening)):
        return None
    whole = msgspec.structs.replace(
        programme,
        rest_s=float(ceil(max(LEAST_REST_S, programme.rest_s))),
        first_silence_s=float(ceil(programme.first_silence_s)),
    )
    return plays(opening, whole, {name: float(ceil(one)) for name, one in duration_s.items()}, zone)


Timetable = Callable[[Opening | None, Programme, Mapping[str, float], ZoneInfo], Sequence[AgendaEntry] | None]


def kept_timetable() -> Timetable:
    """The same, worked out again only where something of it has changed; None while no opening is under way."""
    known: object = None
    entries: Sequence[AgendaEntry] | None = None

    def kept(
        opening: Opening | None, programme: Programme, duration_s: Mapping[str, float], zone: ZoneInfo
    ) -> Sequence[AgendaEntry] | None:
        nonlocal known, entries
        asked = (opening, programme, dict(duration_s), zone)
        if asked != known:
            known, entries = asked, None if opening is None else timetable(opening, programme, duration_s, zone)
        return entries

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
