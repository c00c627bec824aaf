"""The rules of exceptions and public holidays for a day: for each property the narrowest rule counts.

The order, the narrowest first: exceptions with a date, exceptions of every year, public holidays, and exceptions for a
day of the week; of two of a kind, the one with fewer days. Each sets some properties - hours, silence, trim,
performances - and leaves the others to the next.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from residue.schedule.opening import EVERYDAY, EventTerms, Opening
from residue.schedule.recurring import WEEKLY_KIND
from residue.schedule.tables import Holidays, Spans, SpecialDay

_CYCLE_DAYS = 28 * 366
"""After so many days the days of the week have the same dates again."""
_BEGINS = dt.date(2024, 1, 1)


@dataclass(frozen=True, slots=True)
class DaySaid:
    """The special rules of a day.

    open: None if its hours do not change. why: the reason for these hours. terms: those of its hours. terms_why: the
    reasons for the terms, if they differ from the reason for the hours.
    """

    open: Spans | None = None
    why: str = ""
    silent: Spans = ()
    terms: EventTerms = EVERYDAY
    terms_why: tuple[str, ...] = ()

    def on(self, opening: Opening) -> Opening:
        """An opening of this day on the day's terms; of two trims, the quieter."""
        if self.terms == EVERYDAY:
            return opening
        return replace(
            opening,
            terms=joined(opening.terms, self.terms),
            why="; ".join(dict.fromkeys([opening.why, *self.terms_why])),
        )


def joined(own: EventTerms, of_day: EventTerms) -> EventTerms:
    """The terms of an opening on a day with terms: the quieter trim, and its own performances if it has any."""
    return EventTerms(min(own.trim_db, of_day.trim_db), own.performances or of_day.performances)


def said_of(day: dt.date, exceptions: Iterable[SpecialDay], holidays: Holidays | None) -> DaySaid:
    """The rules of exceptions and public holidays for a day."""
    holding = sorted((one for one in exceptions if one.hold_on(day)), key=lambda one: one.narrowness)
    holiday = None if holidays is None else holidays.on(day)
    spans: list[tuple[Spans, str]] = [(one.open, one.why) for one in holding if one.open is not None]
    if holiday is not None:
        narrower = [one for one in holding if one.open is not None and one.narrowness[0] < WEEKLY_KIND]
        spans.insert(len(narrower), (holiday[1], holiday[0]))
    silent = next((one.silent for one in holding if one.silent is not None), ())
    open_, why = spans[0] if spans else (None, "")
    return DaySaid(open_, why, silent, *_terms(holding))


def _terms(holding: list[SpecialDay]) -> tuple[EventTerms, tuple[str, ...]]:
    """The terms by exceptions that hold on a day, the narrowest first, and the reasons for them."""
    trimmed = next((one for one in holding if one.trim_db is not None), None)
    playing = next((one for one in holding if one.performances is not None), None)
    trim_db = 0.0 if trimmed is None or trimmed.trim_db is None else trimmed.trim_db
    names = () if playing is None or playing.performances is None else playing.performances
    return EventTerms(trim_db, names), tuple(one.why for one in holding if one in (trimmed, playing))


def terms_of(exceptions: tuple[SpecialDay, ...]) -> Mapping[EventTerms, str]:
    """All terms that exceptions can give to a day, each with the place of one of them in the file."""
    saying = [one for one in exceptions if one.trim_db is not None or one.performances is not None]
    found: dict[EventTerms, str] = {}
    for day in dict.fromkeys(_days(saying)):
        holding = sorted((one for one in saying if one.hold_on(day)), key=lambda one: one.narrowness)
        if holding:
            found.setdefault(_terms(holding)[0], f"hours.toml: exception[{exceptions.index(holding[0]) + 1}]")
    return found


def _days(exceptions: list[SpecialDay]) -> Iterator[dt.date]:
    """Every day on which a new combination of rules is possible."""
    dated = [one for one in exceptions if one.date is not None]
    for one in dated:
        yield from one.dates
    if len(dated) < len(exceptions):
        yield from (_BEGINS + dt.timedelta(days=n) for n in range(_CYCLE_DAYS))
