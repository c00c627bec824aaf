"""Openings, and the rules that turn written openings into the final ones: in order, without overlaps."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from residue.schedule.spans import instant, local


@dataclass(frozen=True, slots=True)
class EventTerms:
    """The terms that make an opening differ from an ordinary one."""

    trim_db: float = 0.0
    """The dB by which it sounds lower."""
    performances: tuple[str, ...] = ()
    """The performances that replace the programme's; empty for these."""


EVERYDAY = EventTerms()


@dataclass(frozen=True, slots=True)
class Opening:
    """A time in which the house is open, without a break; from `opens` on, and up to but not including `closes`.

    Both are aware, with the offset in force at that instant, so that they print as local time and subtract rightly.
    """

    opens: datetime
    closes: datetime
    why: str
    terms: EventTerms = EVERYDAY
    then_silent: bool = False
    """Whether the house must be silent from `closes` on, in spite of the programme's rule for closing time."""
    goes_on: bool = False
    """Whether the house stays open at `closes`, a midnight at which the next opening only begins another day."""


def settled(openings: Iterable[Opening], zone: ZoneInfo) -> list[Opening]:
    """The final openings, in order.

    One on terms of its own replaces the everyday ones during its time. Of two that overlap on different terms, the
    quieter replaces the other; if both are equally quiet, the later begins at the end of the earlier. Those on the same
    terms that overlap or touch are one.

    A run that was open for the whole of a day ends at that day's last midnight and the next begins there: so a house
    that never closes still begins every day again, after the performance that is under way, and no opening is longer
    than two days.
    """
    real = sorted(_in(zone, openings), key=lambda opening: (opening.opens, opening.closes))
    everyday = _joined([opening for opening in real if opening.terms == EVERYDAY])
    particular = _quietest_first([opening for opening in real if opening.terms != EVERYDAY])
    held = sorted([*particular, *without(everyday, particular)], key=lambda opening: opening.opens)
    return [piece for run in held for piece in _by_days(run, zone)]


def by_its_days(opening: Opening, zone: ZoneInfo) -> Iterator[Opening]:
    """An opening as pieces that belong to the days on which they begin.

    A night belongs to the day before it, up to noon (our own rule); a longer one is divided at every midnight.
    """
    opens, closes = local(opening.opens, zone), local(opening.closes, zone)
    day = opens.date() + timedelta(days=1)
    if closes > instant(day, 12 * 60, zone):
        while (midnight := instant(day, 0, zone)) < closes:
            yield replace(opening, opens=opens, closes=midnight, then_silent=False)
            opens = midnight
            day += timedelta(days=1)
    yield replace(opening, opens=opens, closes=closes)


def without(openings: Iterable[Opening], taken: Iterable[Opening]) -> list[Opening]:
    """The openings without the given times."""
    left = list(openings)
    for away in taken:
        left = [piece for opening in left for piece in _less(opening, away)]
    return left


def silenced(openings: Iterable[Opening], silences: list[Opening]) -> list[Opening]:
    """The openings without the silences within them."""
    return [
        replace(piece, then_silent=piece.then_silent or any(one.opens <= piece.closes < one.closes for one in silences))
        for piece in without(openings, silences)
    ]


def _in(zone: ZoneInfo, openings: Iterable[Opening]) -> Iterator[Opening]:
    for one in openings:
        if one.closes > one.opens:
            yield replace(one, opens=local(one.opens, zone), closes=local(one.closes, zone))


def _less(opening: Opening, away: Opening) -> Iterator[Opening]:
    if away.closes <= opening.opens or opening.closes <= away.opens:
        yield opening
        return
    if opening.opens < away.opens:
        yield replace(opening, closes=away.opens, then_silent=False, goes_on=False)
    if away.closes < opening.closes:
        yield replace(opening, opens=away.closes)


def _joined(ordered: list[Opening]) -> list[Opening]:
    joined: list[Opening] = []
    for opening in ordered:
        before = joined[-1] if joined else None
        if before is not None and opening.opens <= before.closes and opening.terms == before.terms:
            why = "; ".join(dict.fromkeys([*before.why.split("; "), *opening.why.split("; ")]))
            later = max(before, opening, key=lambda one: one.closes)
            joined[-1] = replace(before, closes=later.closes, why=why, then_silent=later.then_silent)
        else:
            joined.append(opening)
    return joined


def _quietest_first(ordered: list[Opening]) -> list[Opening]:
    held: list[Opening] = []
    for trim_db in sorted({opening.terms.trim_db for opening in ordered}):
        as_quiet = _by_terms([opening for opening in ordered if opening.terms.trim_db == trim_db])
        held += without(_in_turn(as_quiet), held)
    return held


def _by_terms(ordered: list[Opening]) -> list[Opening]:
    """The openings, joined where they have the same terms, in order."""
    on: dict[EventTerms, list[Opening]] = {}
    for opening in ordered:
        on.setdefault(opening.terms, []).append(opening)
    joined = (one for same in on.values() for one in _joined(same))
    return sorted(joined, key=lambda opening: (opening.opens, opening.closes))


def _in_turn(ordered: list[Opening]) -> list[Opening]:
    turns: list[Opening] = []
    for opening in ordered:
        opens = max(opening.opens, turns[-1].closes) if turns else opening.opens
        if opens < opening.closes:
            turns.append(replace(opening, opens=opens))
    return turns


def _by_days(run: Opening, zone: ZoneInfo) -> Iterator[Opening]:
    opens, day = run.opens, run.opens.date()
    if instant(day, 0, zone) < opens:
        day += timedelta(days=1)
    while True:  # `day` is the first with an open midnight; at its end a whole open day ends
        day += timedelta(days=1)
        midnight = instant(day, 0, zone)
        if run.closes <= midnight:
            yield replace(run, opens=opens, goes_on=False)
            return
        yield replace(run, opens=opens, closes=midnight, then_silent=False, goes_on=True)
        opens = midnight
