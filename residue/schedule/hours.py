"""hours.toml: the curator's hours and programme, and the calendar they make.

What holds on a day is said by the first of these that speaks of it: exceptions, public holidays, seasons, and then
the weekly hours (or, instead of these, an opening_hours text or the events of a calendar file). Private views are
open beside that. An opening belongs to the local day on which it begins: Friday's 22:00-04:00 is changed by an
exception for Friday, and an exception for Saturday leaves it alone.
"""

from __future__ import annotations

import datetime as dt
import difflib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from itertools import pairwise
from typing import Literal
from zoneinfo import ZoneInfo, available_timezones

import msgspec

from residue.schedule import osm, public_holidays
from residue.schedule.calendar import Calendar, OpeningSource, PagedCalendar
from residue.schedule.opening import EVERYDAY, EventTerms, Opening, by_its_days
from residue.schedule.programme import Programme
from residue.schedule.spans import day_spans, instant
from residue.schedule.tables import ALWAYS_KNOWN, EventWords, Holidays, PrivateView, Season, Spans, SpecialDay, Weekly

_MACHINE_ZONES = frozenset({"localtime", "Factory"})
"""Names under which zoneinfo would hand out whatever zone the machine happens to be set to, or none."""


class Hours(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The curator's file: opening hours and programme."""

    time_zone: str
    """The time zone of the place by its IANA name, such as "Europe/Berlin"."""
    weekly: Weekly = Weekly()
    """The hours of an ordinary week."""
    opening_hours: str = ""
    """The weekly hours as OpenStreetMap writes them, such as "Tu-Su 10:00-18:00; Th 10:00-20:00"."""
    season: tuple[Season, ...] = ()
    """Other weekly hours from one date until another."""
    holidays: Holidays | None = None
    """Hours on public holidays."""
    exception: tuple[SpecialDay, ...] = ()
    """Days that are different."""
    private_view: tuple[PrivateView, ...] = ()
    """Openings beside the hours of their day."""
    programme: Programme
    """The performances, and how they follow each other."""
    calendar: EventWords = ALWAYS_KNOWN
    """The curator's own words in the titles of a calendar file."""
    security: Weekly | None = None
    """When somebody watches over the building; an opening outside it is pointed out."""
    when_clock_is_unsure: Literal["closed", "open", "last known"] = "closed"
    """Whether the house is open while the machine cannot know the time; "last known" believes its clock."""

    def __post_init__(self) -> None:
        if faults := list(self._faults()):
            raise ValueError(*faults)

    def _faults(self) -> Iterator[str]:
        if self.time_zone not in zone_names():
            near = difflib.get_close_matches(self.time_zone, zone_names(), n=1)
            mend = f"Did you mean {near[0]}?" if near else "Write a name such as Europe/Berlin."
            yield f"time_zone: '{self.time_zone}' is not a time zone of the IANA database. {mend}"
        counted = Counter(day for special in self.exception for day in special.dates)
        for day, times in counted.items():
            if times > 1:
                yield f"exception: {day} has {times} exceptions. Keep one for each date."
        for earlier, later in pairwise(sorted(self.season, key=lambda season: season.first)):
            if later.first <= earlier.until:
                yield f"season: The seasons '{earlier.name}' and '{later.name}' overlap. Let one end before the other."
        if self.opening_hours:
            if (fault := osm.fault(self.opening_hours)) is not None:
                yield f"opening_hours: {fault}"
            if self.weekly != Weekly():
                yield "There are both weekly hours and opening_hours. Keep one of them."

    @property
    def everyday(self) -> bool:
        """Whether it says by itself when the house is open from day to day."""
        return self.weekly != Weekly() or bool(self.opening_hours or self.season)

    @property
    def ever(self) -> bool:
        """Whether there is any day on which the house can be open by it."""
        special = any(exception.open for exception in self.exception) or self.private_view
        return self.everyday or bool(special or (self.holidays and self.holidays.open))

    @property
    def zone(self) -> ZoneInfo:
        """The zone of the place."""
        return ZoneInfo(self.time_zone)


@cache
def zone_names() -> frozenset[str]:
    """All valid values of time_zone."""
    return frozenset(available_timezones()) - _MACHINE_ZONES


def calendar(hours: Hours, events: OpeningSource | None = None, private_views: OpeningSource | None = None) -> Calendar:
    """When these hours say that the house is open.

    events: the everyday openings of a calendar file, which stand in the place of the weekly hours.
    private_views: those of a calendar file, beside the ones of hours.toml.
    """
    zone = hours.zone
    layers = [_exceptions(hours), _holidays(hours), _seasons(hours)]
    if hours.opening_hours:
        events = osm.source(hours.opening_hours, zone)
    if events is None:
        layers.append(_weekly(hours))

    def source(first: dt.date, days: int) -> Iterator[Opening]:
        last = first + dt.timedelta(days=days)
        spoken_of: set[dt.date] = set()
        for day in (first + dt.timedelta(days=n) for n in range(days)):
            said = next((said for layer in layers if (said := layer(day)) is not None), None)
            if said is not None:
                spoken_of.add(day)
                yield from said
        if events is not None:
            pieces = (piece for one in events(first, days) for piece in by_its_days(one, zone))
            yield from (one for one in pieces if first <= one.opens.date() < last and one.opens.date() not in spoken_of)
        for view in hours.private_view:
            if first <= view.date < last:
                yield from openings_on(view.date, view.open, view.why, zone, view.terms)
        if private_views is not None:
            yield from private_views(first, days)

    return PagedCalendar(zone, source)


Layer = Callable[[dt.date], Iterable[Opening] | None]
"""The openings of a day; None where this layer does not name the day."""


def _exceptions(hours: Hours) -> Layer:
    special = {day: exception for exception in hours.exception for day in exception.dates}

    def on(day: dt.date) -> Iterable[Opening] | None:
        said = special.get(day)
        return None if said is None else openings_on(day, said.open, said.why, hours.zone)

    return on


def _holidays(hours: Hours) -> Layer:
    def on(day: dt.date) -> Iterable[Opening] | None:
        said = hours.holidays
        name = None if said is None else public_holidays.named(said.country, said.region, day.year).get(day)
        return None if said is None or name is None else openings_on(day, said.open, name, hours.zone)

    return on


def _seasons(hours: Hours) -> Layer:
    def on(day: dt.date) -> Iterable[Opening] | None:
        for season in hours.season:
            if season.first <= day <= season.until:
                return openings_on(day, season.weekly.days[day.weekday()], season.name, hours.zone)
        return None

    return on


def _weekly(hours: Hours) -> Layer:
    return lambda day: openings_on(day, hours.weekly.days[day.weekday()], "weekly hours", hours.zone)


def openings_on(
    day: dt.date, spans: Spans, why: str, zone: ZoneInfo, terms: EventTerms = EVERYDAY
) -> Iterator[Opening]:
    """The openings that begin on a day, by its spans as they are written."""
    for span in day_spans(spans):
        yield Opening(instant(day, span.start_min, zone), instant(day, span.end_min, zone), why, terms)
