"""The tables of hours.toml for the open times."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Annotated, ClassVar

import msgspec
from msgspec import Meta

from residue.schedule.opening import EventTerms
from residue.schedule.public_holidays import HolidaysOf, check_names, check_place, named, parts
from residue.schedule.recurring import Days, days
from residue.schedule.spans import WEEKDAYS, day_spans

Spans = tuple[str, ...]
"""Such as ["10:00-12:30", "13:00-22:00"]; an empty list is a closed day."""

TrimDb = Annotated[float, Meta(ge=-40, le=0)]
"""A lowering in dB."""


class Weekly(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The spans in which the house is open on each day of the week; a missing day is closed."""

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

    def nested(self, other: Season) -> bool:
        """Whether one is within the other, and is shorter."""
        inner, outer = sorted((self, other), key=lambda season: season.until - season.first)
        within = outer.first <= inner.first and inner.until <= outer.until
        return within and inner.until - inner.first < outer.until - outer.first


class Holidays(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The hours on the public holidays of a country, or of a region of it."""

    country: str
    """ISO 3166-1, such as DE."""
    region: str | None = None
    """ISO 3166-2 without the country, such as BE for Berlin."""
    language: str | None = None
    """The language of the names, such as de or en_US; that of the country if left out."""
    open: Spans = ()
    """The spans on each public holiday; closed if left out."""
    each: dict[str, Spans] = {}
    """Other spans on single holidays by their names, as `residue hours` shows them; [] is closed."""

    def __post_init__(self) -> None:
        check_place(self.celebrated)
        check_names(list(self.each), self.celebrated)
        for spans in (self.open, *self.each.values()):
            day_spans(spans)

    @property
    def celebrated(self) -> HolidaysOf:
        """The place of the holidays."""
        return HolidaysOf(country=self.country, region=self.region, language=self.language)

    def on(self, day: dt.date) -> tuple[str, Spans] | None:
        """The name and the spans of a holiday; of two on one day, the one with the shorter open time."""
        name = named(self.celebrated, day.year).get(day)
        if name is None:
            return None
        said = [self.each[part] for part in parts(name) if part in self.each] or [self.open]
        return name, min(said, key=lambda spans: sum(span.end_min - span.start_min for span in day_spans(spans)))


class Leg(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, rename={"first": "from"}):
    """A leg of a tour: from its first day on, the house is at a place with another time zone."""

    first: dt.date
    """The first day; it lasts until the next leg."""
    time_zone: str
    """The time zone of that place by its IANA name, such as "Europe/Lisbon"."""
    holidays: Holidays | None = None
    """The public holidays of that place; those of [holidays] if left out."""


class EventWords(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The curator's own words in the titles and categories of a calendar file, beside those that are always known."""

    closed: tuple[str, ...] = ()
    """Words for closed, such as "閉館"; the first of these three lists that has a word of the title decides."""
    private_view: tuple[str, ...] = ()
    """Words for a private view."""
    open: tuple[str, ...] = ()
    """Words for open."""

    def __post_init__(self) -> None:
        if not all(word.strip() for word in (*self.closed, *self.private_view, *self.open)):
            raise ValueError("There is an empty word. Write a word that stands in titles, or remove it.")


ALWAYS_KNOWN = EventWords()
"""No further words."""


class SpecialDay(Days, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Days that are different.

    For keys that it leaves out, the next wider exception counts, then the hours of the day.
    """

    CALLED: ClassVar[str] = "The exception"

    open: Spans | None = None
    """The spans of each of these days; [] is closed; if left out, the hours do not change."""
    silent: Spans | None = None
    """Spans of silence on these days, also for private views; the present performance fades out before."""
    trim_db: TrimDb | None = None
    """Everything but private views is lower by so much."""
    performances: tuple[str, ...] | None = None
    """The performances that replace those of the programme."""
    why: str = "exception"
    """The reason that a person reads."""

    def _faults(self) -> Iterator[str]:
        yield from super()._faults()
        for spans in (self.open or (), self.silent or ()):
            try:
                day_spans(spans)
            except ValueError as error:
                yield from error.args
        if self.open is None and self.silent is None and self.trim_db is None and self.performances is None:
            yield "The exception changes nothing. Write open, silent, trim_db or performances; open = [] is closed."


class PrivateView(Days, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An opening beside the hours of its day, with a level and a programme of its own."""

    CALLED: ClassVar[str] = "The private view"

    open: Annotated[Spans, Meta(min_length=1)]
    """The spans."""
    why: str = "private view"
    """The reason that a person reads."""
    trim_db: TrimDb = 0.0
    """Everything is lower by so much."""
    performances: tuple[str, ...] = ()
    """The performances; those of [programme] if left out."""

    def _faults(self) -> Iterator[str]:
        yield from super()._faults()
        try:
            day_spans(self.open)
        except ValueError as error:
            yield from error.args

    @property
    def terms(self) -> EventTerms:
        """The terms of the private view."""
        return EventTerms(self.trim_db, self.performances)
