"""The programme: the n-th performance of an opening, its possible start, and the rest after it.

All this depends only on the opening's date and the number of the item, so that it is known in advance.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache, partial
from itertools import pairwise, permutations
from math import factorial
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

import msgspec
from msgspec import Meta

from residue.schedule.opening import Opening
from residue.schedule.spans import WEEKDAYS, again, day_time, instant

Names = Annotated[tuple[str, ...], Meta(min_length=1)]

_DAY_MIN = 24 * 60
_EVERY = re.compile(r"every (\d{1,4}) min|(\d{1,2}) an hour")
_INTO_A_DAY = [minutes for minutes in range(1, _DAY_MIN + 1) if _DAY_MIN % minutes == 0]
_SHUFFLES = 24
"""Our choice: with five performances these are all orders; with their possible beginnings, more than the days of a
season.
"""


class Programme(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The performances, their order and the rest between them."""

    performances: Names
    """Names of folders under performances/, played again and again."""
    order: Literal["listed", "shuffled"] = "listed"
    """Shuffled: each day another order, repeated until closing."""
    share: dict[str, Annotated[int, Meta(ge=1, le=100)]] = {}
    """The number of plays for each play of a performance without a share; evenly spread."""
    weekday: dict[str, Names] = {}
    """Other performances on one day of the week (mon … sun)."""
    rest_s: Annotated[float, Meta(ge=0, le=86_400)] = 0.0
    """Silence between two performances."""
    first_silence_s: Annotated[float, Meta(ge=0, le=86_400)] = 0.0
    """Silence from the opening to the first performance."""
    starts: str | tuple[str, ...] = "any time"
    """The times at which a performance may begin: "any time", "full hour", "every 30 min", "2 an hour"; or times, such
    as ["11:00", "15:30"]."""
    at_closing: Literal["fade", "finish", "whole"] = "fade"
    """Whether the last performance fades out before closing, runs on past it, or does not begin if it would not end."""
    after_interruption: Literal["resume", "restart", "next"] = "resume"
    """After a hold or a power cut: continue there, begin the same again, or play the next."""

    def __post_init__(self) -> None:
        if faults := list(self._faults()):
            raise ValueError(*faults)

    def _faults(self) -> Iterator[str]:
        if self.share and self.order == "shuffled":
            yield "The programme has both shares and the order shuffled. Keep one of them."
        for day in self.weekday.keys() - set(WEEKDAYS):
            yield f"'{day}' is not a day of the week. Write one of: {', '.join(WEEKDAYS)}."
        for name in self.share.keys() - set(self.names):
            yield f"'{name}' has a share but is not in the programme. Add it to performances."
        if self.starts == ():
            yield "The list of starts is empty. Name a time such as 15:30, or leave it out."
        if isinstance(self.starts, str):
            yield from _starts_fault(self.starts)
            return
        for text in self.starts:
            try:
                day_time(text)
            except ValueError as error:
                yield str(error)

    @property
    def names(self) -> list[str]:
        """Every performance that is named anywhere, once."""
        return list(dict.fromkeys([*self.performances, *(name for names in self.weekday.values() for name in names)]))


def spacing_s(programme: Programme, zone: ZoneInfo, *, first: date, days: int) -> float:
    """The least time from one possible beginning of a performance to the next on these days; 0 if it may be any time.

    The clocks of the place may change between the two.
    """
    if programme.starts == "any time":
        return 0.0
    minutes, both = _start_minutes(programme), isinstance(programme.starts, str)
    least_s = 60.0 * min(later - earlier for earlier, later in pairwise([*minutes, minutes[0] + _DAY_MIN]))
    for day in (first + timedelta(days=number) for number in range(days)):
        if _clocks_change(day, zone):
            around = (day + timedelta(days=beside) for beside in (-1, 0, 1))
            moments = sorted({moment for one in around for moment in _moments(one, minutes, zone, both=both)})
            least_s = min(least_s, *((later - earlier).total_seconds() for earlier, later in pairwise(moments)))
    return least_s


@dataclass(frozen=True, slots=True)
class Item:
    """One place in the programme of an opening."""

    performance: str
    rest_s: float
    """The silence after it."""


def item(programme: Programme, opening: Opening, index: int) -> Item:
    """The `index`-th item (from 0) of the programme in this opening."""
    names = pool(programme, opening)
    if programme.order == "shuffled":
        order = _shuffled(names, opening.opens.date().isoformat())
    else:
        [order] = rounds(programme, names)
    return Item(order[index % len(order)], programme.rest_s)


def coming(programme: Programme, opening: Opening, index: int) -> list[str]:
    """Every performance of an opening once, in the order of play from its `index`-th item on."""
    places = sum(programme.share.get(name, 1) for name in pool(programme, opening))
    return list(dict.fromkeys(item(programme, opening, index + place).performance for place in range(places)))


def rounds(programme: Programme, names: tuple[str, ...]) -> tuple[tuple[str, ...], ...]:
    """The orders in which openings may go through these performances, each of them again and again.

    One, from its beginning on; if shuffled some, each from any place on.
    """
    if programme.order == "shuffled":
        return _shuffles(names)
    return (_shared(names, tuple(programme.share.get(name, 1) for name in names)),)


def pool(programme: Programme, opening: Opening) -> tuple[str, ...]:
    """The performances that this opening's programme repeats."""
    weekday = WEEKDAYS[opening.opens.weekday()]
    return opening.terms.performances or programme.weekday.get(weekday, programme.performances)


def next_start(programme: Programme, opening: Opening, earliest: datetime, zone: ZoneInfo) -> datetime | None:
    """The first moment from `earliest` on at which a performance may begin in this opening.

    `closes` where none is left; None if performances may begin at any time.
    """
    if programme.starts == "any time":
        return None
    minutes = _start_minutes(programme)
    days = (opening.closes.date() - opening.opens.date()).days + 1
    both = isinstance(programme.starts, str)
    dates = (opening.opens.date() + timedelta(days=day) for day in range(days))
    moments = (moment for day in dates for moment in _moments(day, minutes, zone, both=both))
    return next((moment for moment in moments if moment >= earliest), opening.closes)


def _moments(day: date, minutes: Sequence[int], zone: ZoneInfo, *, both: bool) -> Iterator[datetime]:
    """The minutes of a day as instants, in order. both: a time that comes twice counts twice."""
    moments = (instant(day, minute, zone) for minute in minutes)
    if not (both and _clocks_change(day, zone)):
        return moments
    seconds = (again(day, minute, zone) for minute in minutes)
    return iter(sorted([*moments, *(second for second in seconds if second is not None)]))


def _clocks_change(day: date, zone: ZoneInfo) -> bool:
    return instant(day, 0, zone).utcoffset() != instant(day, _DAY_MIN, zone).utcoffset()


def every_min(starts: str | tuple[str, ...]) -> int | None:
    """The minutes from one possible start to the next, counted from midnight; None if starts are given otherwise."""
    if starts == "full hour":
        return 60
    written = _EVERY.fullmatch(starts) if isinstance(starts, str) else None
    if written is None:
        return None
    apart, times = written.groups()
    exact = int(apart) if apart else 60 / int(times) if int(times) else 0
    return int(exact) if exact in _INTO_A_DAY else None


def _starts_fault(starts: str) -> Iterator[str]:
    if starts == "any time" or every_min(starts) is not None:
        return
    if (written := _EVERY.fullmatch(starts)) is not None:
        wanted = int(written[1]) if written[1] else 60 / max(int(written[2]), 1)
        below = max((minutes for minutes in _INTO_A_DAY if minutes < wanted), default=1)
        above = min((minutes for minutes in _INTO_A_DAY if minutes > wanted), default=_DAY_MIN)
        mend = f"Write every {below} min or every {above} min."
        yield f"'{starts}' does not divide a day into whole minutes and equal parts. {mend}"
    else:
        mend = "Write any time, full hour, every 30 min, 2 an hour, or a list of times."
        yield f"'{starts}' does not say when a performance may begin. {mend}"


def _start_minutes(programme: Programme) -> Sequence[int]:
    """The minutes of a day at which performances may begin, if the programme names them."""
    apart = every_min(programme.starts)
    return sorted(map(day_time, programme.starts)) if apart is None else range(0, _DAY_MIN, apart)


@lru_cache(maxsize=256)
def _shuffled(names: tuple[str, ...], day: str) -> tuple[str, ...]:
    """The order of one day: one of the shuffles, from one of its places on, by the digest of the date.

    A day keeps its order, so that the order is known in advance, also for the plan, and nothing is played twice in a
    row.
    """
    orders = _shuffles(names)
    drawn, first = divmod(int.from_bytes(_digest(day, *names)), len(names))
    order = orders[drawn % len(orders)]
    return order[first:] + order[:first]


@lru_cache(maxsize=64)
def _shuffles(names: tuple[str, ...]) -> tuple[tuple[str, ...], ...]:
    """The possible orders of a day: all if they are few, else some by digest, the same on every machine.

    Each begins with the first name: orders that differ only in their beginning are one.
    """
    first, *others = names
    if factorial(len(others)) <= _SHUFFLES:
        orders = list(permutations(others))
    else:
        places = range(len(others))
        drawn = (sorted(places, key=partial(_digest, number)) for number in range(_SHUFFLES))
        orders = [tuple(others[place] for place in order) for order in drawn]
    return tuple((first, *order) for order in dict.fromkeys(orders))


def _digest(*parts: object) -> bytes:
    return hashlib.sha256(" ".join(map(str, parts)).encode()).digest()


@lru_cache(maxsize=64)
def _shared(names: tuple[str, ...], shares: tuple[int, ...]) -> tuple[str, ...]:
    """One cycle in which each name occurs as often as its share, spread evenly.

    At each place every name gets its share as credit; the name with the most credit is played and pays the sum of all.
    """
    total = sum(shares)
    credit: Mapping[int, int] = dict.fromkeys(range(len(names)), 0)
    cycle: list[str] = []
    for _ in range(total):
        credit = {place: credit[place] + shares[place] for place in credit}
        chosen = max(credit, key=lambda place: (credit[place], -place))
        credit[chosen] -= total
        cycle.append(names[chosen])
    return tuple(cycle)
