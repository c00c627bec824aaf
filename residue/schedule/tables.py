"""The tables of hours.toml that say when the house is open."""

from __future__ import annotations

import datetime as dt
from typing import Annotated

import msgspec
from msgspec import Meta

from residue.schedule.opening import EventTerms
from residue.schedule.public_holidays import check_place
from residue.schedule.spans import WEEKDAYS, day_spans

Spans = tuple[str, ...]
"""Such as ["10:00-12:30", "13:00-22:00"]; an empty list is a closed day."""

Word = Annotated[str, Meta(pattern=r"\S")]
"""A word, or several in a row."""

_LONGEST_DAYS = 366
"""Our own bound: what is longer is a slip in the year."""


class Weekly(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The spans in which the house is open on each day of the week; a day that is not named is closed."""

    mon: Spans = ()
    tue: Spans = ()
    wed: Spans = ()
    thu: Spans = ()
    fri: Spans = ()
    sat: Spans = ()
    sun: Spans = ()
    """The spans of that day, such as ["10:00-12:30", "13:00-22:00"]; 22:00-04:00 runs past midnight."""

    def __post_init__(self) -> None:
        faults: list[str] = []
        for name, spans in zip(WEEKDAYS, self.days, strict=True):
            try:
                day_spans(spans)
            except ValueError as error:
                faults += [f"{name}: {fault}" for fault in error.args]
        if faults:
            raise ValueError(*faults)

    @property
    def days(self) -> tuple[Spans, ...]:
        """From Monday on, as `date.weekday()` counts."""
        return (self.mon, self.tue, self.wed, self.thu, self.fri, self.sat, self.sun)


class Season(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, rename={"first": "from"}):
    """Other weekly hours from one date until another, both included."""

    name: str
    """A name for people."""
    first: dt.date
    """The first day."""
    until: dt.date
    """The last day."""
    weekly: Weekly
    """The hours of the week in this season."""

    def __post_init__(self) -> None:
        days(self.first, self.until, f"The season '{self.name}'")


class Holidays(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The hours on the public holidays of a country, or of a region of it."""

    country: str
    """ISO 3166-1, such as DE."""
    region: str | None = None
    """ISO 3166-2 without the country, such as BE for Berlin."""
    open: Spans = ()
    """The spans on each public holiday; closed if left out."""

    def __post_init__(self) -> None:
        check_place(self.country, self.region)
        day_spans(self.open)


class EventWords(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The curator's own words in the titles and categories of a calendar file, beside those that are always known."""

    closed: tuple[Word, ...] = ()
    """Words for closed, such as "閉館"; the first of these three lists that has a word of the title decides."""
    private_view: tuple[Word, ...] = ()
    """Words for a private view."""
    open: tuple[Word, ...] = ()
    """Words for open."""


ALWAYS_KNOWN = EventWords()
"""No words beside those that are always known."""


class SpecialDay(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The hours on one date, or on several days in a row, in place of all others but private views."""

    date: dt.date
    """The day, or the first of several."""
    until: dt.date | None = None
    """The last of several days; `date` alone when it is not given."""
    open: Spans
    """The spans of each of these days; [] is closed."""
    why: str = "exception"
    """The reason that a person reads."""

    def __post_init__(self) -> None:
        day_spans(self.open)
        days(self.date, self.until or self.date, "The exception")

    @property
    def dates(self) -> list[dt.date]:
        """All days it holds on."""
        return days(self.date, self.until or self.date, "The exception")


class PrivateView(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An opening beside the hours of its day, with a level and a programme of its own."""

    date: dt.date
    """The day."""
    open: Annotated[Spans, Meta(min_length=1)]
    """The spans."""
    why: str = "private view"
    """The reason that a person reads."""
    trim_db: Annotated[float, Meta(ge=-40, le=0)] = 0.0
    """Everything is lower by so much."""
    performances: tuple[str, ...] = ()
    """The performances; those of [programme] if left out."""

    def __post_init__(self) -> None:
        day_spans(self.open)

    @property
    def terms(self) -> EventTerms:
        """The terms of the private view."""
        return EventTerms(self.trim_db, self.performances)


def days(first: dt.date, last: dt.date, what: str) -> list[dt.date]:
    """All dates from the first to the last.

    Raises ValueError, in a person's words about `what`, where that can not be meant.
    """
    if last < first:
        raise ValueError(f"{what} runs from {first} until {last}. Write the later date as until.")
    if (last - first).days >= _LONGEST_DAYS:
        raise ValueError(f"{what} from {first} until {last} is longer than a year. Shorten it.")
    return [first + dt.timedelta(days=n) for n in range((last - first).days + 1)]
