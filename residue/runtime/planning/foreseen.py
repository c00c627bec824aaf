"""Finds every order in which the hours can play performances; the plan is made for these.

The result depends on the files alone and not on the present day, so that a plan stays the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import timedelta
from itertools import pairwise

from residue.loudness.plan.order import Order, Pool, Round, Stretch
from residue.runtime.house.house_state import START_GRACE_S
from residue.schedule.calendar import Calendar
from residue.schedule.clock_trust import EARLIEST
from residue.schedule.opening import EVERYDAY, EventTerms, Opening
from residue.schedule.programme import Programme, pool, rounds, spacing_s

DAYS = 5 * 366
"""The openings of so many days are searched for pairs that are near each other."""
_MINUTE_S = 60.0


def foreseen(
    programme: Programme, calendar: Calendar, terms: Iterable[EventTerms], longest_window_s: float, runs_on_s: float
) -> Order:
    """The pools of a programme and of private views on their terms, and the shortest times between them.

    runs_on_s: the time that a performance may run on past closing.
    """
    everyday = (programme.performances, *programme.weekday.values())
    private = ((one.performances or names, one) for one in terms for names in everyday)
    pools = [_pool(programme, names, EVERYDAY) for names in everyday]
    pools += [_pool(programme, names, one) for names, one in private]
    return Order(
        tuple(dict.fromkeys(pools)),
        tuple(dict.fromkeys(_neighbours(programme, calendar, longest_window_s, runs_on_s))),
    )


def _pool(programme: Programme, names: tuple[str, ...], terms: EventTerms) -> Pool:
    apart_s = max(0.0, spacing_s(programme) - START_GRACE_S)  # one may have begun so much later
    turns = tuple(Round(order, programme.rest_s, apart_s) for order in rounds(programme, names))
    return Pool(turns, from_anywhere=programme.order == "shuffled", trim_db=terms.trim_db)


def _neighbours(
    programme: Programme, calendar: Calendar, longest_window_s: float, runs_on_s: float
) -> Iterable[tuple[Stretch, ...]]:
    openings = calendar.openings(EARLIEST.date(), DAYS)
    silences_s = [(later.opens - earlier.closes).total_seconds() - runs_on_s for earlier, later in pairwise(openings)]
    for latest in range(1, len(openings)):
        first, reach_s = latest, 0.0
        while first > 0 and reach_s + silences_s[first - 1] < longest_window_s:
            reach_s += max(0.0, silences_s[first - 1]) + _lasts_s(openings[first - 1])
            first -= 1
        if first < latest:
            silent_s = [0.0, *silences_s[first:latest]]
            yield _stretches(programme, openings[first : latest + 1], silent_s, runs_on_s)


def _stretches(
    programme: Programme, openings: Sequence[Opening], silences_s: Sequence[float], runs_on_s: float
) -> tuple[Stretch, ...]:
    """The openings, the latest first, in whole minutes.

    Openings are rounded up and silences down, so that no energy is missed.
    """
    return tuple(
        Stretch(
            _pool(programme, pool(programme, opening), opening.terms),
            lasts_s=-((_lasts_s(opening) + runs_on_s) // -_MINUTE_S) * _MINUTE_S,
            silence_s=max(0.0, silence_s // _MINUTE_S * _MINUTE_S),
        )
        for opening, silence_s in reversed(list(zip(openings, silences_s, strict=True)))
    )


def _lasts_s(opening: Opening) -> float:
    return (opening.closes - opening.opens) / timedelta(seconds=1)
