"""Finds every order in which the hours can play performances; the plan is made for these.

The result depends on the files alone and not on the present day, so that a plan stays the same.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import timedelta
from functools import partial
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
    spaced_s = spacing_s(programme, calendar.zone, first=EARLIEST.date(), days=DAYS)
    apart_s = max(0.0, spaced_s - START_GRACE_S)  # one may have begun so much later
    pooled = partial(_pool, programme, apart_s)
    pools = [pooled(names, EVERYDAY) for names in everyday]
    pools += [pooled(names, one) for names, one in private]
    met = _neighbours(calendar, longest_window_s, runs_on_s, lambda one: pooled(pool(programme, one), one.terms))
    return Order(tuple(dict.fromkeys(pools)), tuple(dict.fromkeys(met)))


def _pool(programme: Programme, apart_s: float, names: tuple[str, ...], terms: EventTerms) -> Pool:
    turns = tuple(Round(order, programme.rest_s, apart_s) for order in rounds(programme, names))
    return Pool(turns, from_anywhere=programme.order == "shuffled", trim_db=terms.trim_db)


def _neighbours(
    calendar: Calendar, longest_window_s: float, runs_on_s: float, pool_of: Callable[[Opening], Pool]
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
            yield _stretches(openings[first : latest + 1], silent_s, runs_on_s, pool_of)


def _stretches(
    openings: Sequence[Opening], silences_s: Sequence[float], runs_on_s: float, pool_of: Callable[[Opening], Pool]
) -> tuple[Stretch, ...]:
    """The openings, the latest first, in whole minutes.

    Openings are rounded up and silences down, so that no energy is missed.
    """
    return tuple(
        Stretch(
            pool_of(opening),
            lasts_s=-((_lasts_s(opening) + runs_on_s) // -_MINUTE_S) * _MINUTE_S,
            silence_s=max(0.0, silence_s // _MINUTE_S * _MINUTE_S),
            after_whole=before is not None and before.goes_on,
        )
        for before, opening, silence_s in reversed(list(zip([None, *openings[:-1]], openings, silences_s, strict=True)))
    )


def _lasts_s(opening: Opening) -> float:
    return (opening.closes - opening.opens) / timedelta(seconds=1)
