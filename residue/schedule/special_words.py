"""Each special rule of hours.toml in words, as the house took it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

from residue.schedule.calendar import HORIZON_DAYS
from residue.schedule.hours import Hours
from residue.schedule.recurring import Days
from residue.schedule.tables import Holidays, PrivateView, Spans, SpecialDay


def special_words(hours: Hours, today: dt.date) -> list[str]:
    """A line for each exception, private view, season, leg and list of public holidays, with its next day."""
    return [
        *(_exception(number, one, today) for number, one in enumerate(hours.exception, start=1)),
        *(_view(number, one, today) for number, one in enumerate(hours.private_view, start=1)),
        *(
            f"season {one.name}: other weekly hours from {_day(one.first)} until {_day(one.until)}."
            for one in hours.season
        ),
        *(
            f"leg {number}: from {_day(one.first)} on times of {one.time_zone}."
            for number, one in enumerate(hours.leg, 1)
        ),
        *_holidays(hours.holidays, today),
    ]


def _exception(number: int, one: SpecialDay, today: dt.date) -> str:
    said = [
        *(() if one.open is None else (f"open {_spans(one.open)}" if one.open else "closed",)),
        *(() if not one.silent else (f"silent {_spans(one.silent)}",)),
        *(() if not one.trim_db else (f"{-one.trim_db:g} dB lower",)),
        *(() if not one.performances else (f"plays {', '.join(one.performances)}",)),
    ]
    return f"exception {number}, {one.why}: {', '.join(said) or 'as on other days'}; {_next(one, today)}."


def _view(number: int, one: PrivateView, today: dt.date) -> str:
    lower = f", {-one.trim_db:g} dB lower" if one.trim_db else ""
    plays = f", plays {', '.join(one.performances)}" if one.performances else ""
    return f"private view {number}, {one.why}: open {_spans(one.open)}{lower}{plays}; {_next(one, today)}."


def _holidays(holidays: Holidays | None, today: dt.date) -> Iterator[str]:
    if holidays is None:
        return
    place = holidays.country + (f"-{holidays.region}" if holidays.region else "")
    coming = ((day, holidays.on(day)) for day in (today + dt.timedelta(days=n) for n in range(HORIZON_DAYS)))
    found = next(((day, said) for day, said in coming if said is not None), None)
    next_one = (
        "none within a year"
        if found is None
        else f"the next is {found[1][0]}, {_day(found[0])}: "
        + (f"open {_spans(found[1][1])}" if found[1][1] else "closed")
    )
    yield f"public holidays of {place}: {next_one}."


def _next(one: Days, today: dt.date) -> str:
    coming = (today + dt.timedelta(days=n) for n in range(HORIZON_DAYS))
    day = next((day for day in coming if one.hold_on(day)), None)
    if day is not None:
        return f"next on {_day(day)}"
    begins = one.date or one.first
    if begins is not None and begins > today:
        return f"first on {_day(begins)}"
    return "all its days are past" if one.last is not None and one.last < today else "not within a year"


def _spans(spans: Spans) -> str:
    return " and ".join(spans)


def _day(day: dt.date) -> str:
    return f"{day:%a %d %b %Y}"
