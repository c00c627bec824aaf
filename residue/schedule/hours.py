"""hours.toml: the curator's hours and programme, and the calendar from them.

For each day the narrowest rule decides: see `special_days`, then seasons (the shorter first), and then the weekly hours
(or, instead of these, an opening_hours text or the events of a calendar file). Private views are open in addition. An
opening belongs to the local day on which it begins: Friday's 22:00-04:00 is changed by an exception for Friday, and an
exception for Saturday leaves it alone.
"""

from __future__ import annotations

import datetime as dt
import difflib
from collections import Counter
from collections.abc import Iterable, Iterator
from functools import cache
from itertools import combinations
from typing import Literal
from zoneinfo import ZoneInfo, available_timezones

import msgspec

from residue.schedule import osm
from residue.schedule.calendar import Calendar, OpeningSource, PagedCalendar
from residue.schedule.opening import EVERYDAY, EventTerms, Opening, by_its_days, settled, silenced, without
from residue.schedule.programme import Programme
from residue.schedule.spans import day_spans, instant
from residue.schedule.special_days import DaySaid, said_of
from residue.schedule.tables import (
    ALWAYS_KNOWN,
    EventWords,
    Holidays,
    Leg,
    PrivateView,
    Season,
    Spans,
    SpecialDay,
    Weekly,
)
from residue.schedule.tour import tour_key, zone_called

_MACHINE_ZONES = frozenset({"localtime", "Factory"})
"""Names for which zoneinfo would give the zone of the machine, or none."""


class Hours(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The curator's file: opening hours and programme."""

    time_zone: str
    """The time zone of the place by its IANA name, such as "Europe/Berlin"."""
    weekly: Weekly = Weekly()
    """The hours of an ordinary week."""
    opening_hours: str = ""
    """The weekly hours as OpenStreetMap writes them, such as "Tu-Su 10:00-18:00; Th 10:00-20:00"."""
    season: tuple[Season, ...] = ()
    """Other weekly hours from one date until another; one may be within another, and then the shorter counts."""
    holidays: Holidays | None = None
    """Hours on public holidays."""
    exception: tuple[SpecialDay, ...] = ()
    """Days that are different."""
    private_view: tuple[PrivateView, ...] = ()
    """Openings beside the hours of their day."""
    leg: tuple[Leg, ...] = ()
    """The legs of a tour after the first place."""
    programme: Programme
    """The performances and their order."""
    calendar: EventWords = ALWAYS_KNOWN
    """The curator's own words in the titles of a calendar file."""
    security: Weekly | None = None
    """The times when somebody watches the building; an opening outside them is reported."""
    when_clock_is_unsure: Literal["closed", "open", "last known"] = "closed"
    """Whether the house is open while the time is not reliable; "last known" uses the clock nevertheless."""

    def __post_init__(self) -> None:
        if faults := list(self._faults()):
            raise ValueError(*faults)

    def _faults(self) -> Iterator[str]:
        yield from _zone_fault("time_zone", self.time_zone)
        for number, leg in enumerate(self.leg, start=1):
            yield from _zone_fault(f"leg[{number}].time_zone", leg.time_zone)
        for day, times in Counter(leg.first for leg in self.leg).items():
            if times > 1:
                yield f"leg: {times} legs begin on {day}. Keep one for each date."
        for one, other in combinations(self.exception, 2):
            if (met := one.clash(other)) is not None:
                mend = "Keep one, or name fewer days in one."
                yield f"exception: {met} has 2 exceptions, and neither is narrower. {mend}"
        for season, another in combinations(sorted(self.season, key=lambda season: season.first), 2):
            if season.first <= another.until and another.first <= season.until and not season.nested(another):
                mend = "Let one end before the other, or lie within it."
                yield f"season: The seasons '{season.name}' and '{another.name}' overlap. {mend}"
        if self.opening_hours:
            if (fault := osm.fault(self.opening_hours)) is not None:
                yield f"opening_hours: {fault}"
            if self.weekly != Weekly():
                yield "There are both weekly hours and opening_hours. Keep one of them."

    @property
    def everyday(self) -> bool:
        """Whether it contains the everyday hours itself."""
        return self.weekly != Weekly() or bool(self.opening_hours or self.season)

    @property
    def ever(self) -> bool:
        """Whether the house can be open on any day."""
        special = any(exception.open for exception in self.exception) or self.private_view
        holidays = [one for one in (self.holidays, *(leg.holidays for leg in self.leg)) if one is not None]
        return self.everyday or bool(special) or any(one.open or any(one.each.values()) for one in holidays)

    @property
    def zone(self) -> ZoneInfo:
        """The zone of the place; on tour that of each leg in its time."""
        return zone_called(tour_key(self.time_zone, [(leg.first, leg.time_zone) for leg in self.leg]))

    def special(self, day: dt.date) -> DaySaid:
        """The rules of exceptions and public holidays."""
        leg = max((leg for leg in self.leg if leg.first <= day), key=lambda leg: leg.first, default=None)
        return said_of(day, self.exception, (leg.holidays if leg is not None else None) or self.holidays)


@cache
def zone_names() -> frozenset[str]:
    """All valid values of time_zone."""
    return frozenset(available_timezones()) - _MACHINE_ZONES


def _zone_fault(where: str, name: str) -> Iterator[str]:
    if name not in zone_names():
        near = difflib.get_close_matches(name, zone_names(), n=1)
        mend = f"Did you mean {near[0]}?" if near else "Write a name such as Europe/Berlin."
        yield f"{where}: '{name}' is not a time zone of the IANA database. {mend}"


def calendar(hours: Hours, events: OpeningSource | None = None, private_views: OpeningSource | None = None) -> Calendar:
    """The calendar of these hours.

    events: the everyday openings of a calendar file, which replace the weekly hours. private_views: those of a calendar
    file, beside the ones of hours.toml.
    """
    zone = hours.zone
    if hours.opening_hours:
        events = osm.source(hours.opening_hours, zone)
    seasons = sorted(hours.season, key=lambda season: season.until - season.first)

    def everyday(day: dt.date) -> tuple[Spans, str] | None:
        season = next((season for season in seasons if season.first <= day <= season.until), None)
        if season is not None:
            return season.weekly.days[day.weekday()], season.name
        return None if events is not None else (hours.weekly.days[day.weekday()], "weekly hours")

    def source(first: dt.date, days: int) -> Iterable[Opening]:
        pieces = events(first, days) if events else ()  # first, as it is asked often whether they are refused
        of_events: set[dt.date] = set()
        said = {day: hours.special(day) for day in (first + dt.timedelta(days=n) for n in range(days))}
        hours_of_days: list[Opening] = []
        for day, special in said.items():
            spans_why = (special.open, special.why) if special.open is not None else everyday(day)
            if spans_why is None:
                of_events.add(day)
            else:
                written = openings_on(day, spans_why[0], spans_why[1], zone)
                hours_of_days += [special.on(opening) for opening in written]
        for piece in (piece for one in pieces for piece in by_its_days(one, zone)):
            if (day := piece.opens.date()) in of_events:
                hours_of_days.append(said[day].on(piece))
        views = [
            one for day in said for view in hours.private_view if view.hold_on(day) for one in _view(view, day, zone)
        ]
        views += private_views(first, days) if private_views is not None else ()
        held = settled(views, zone)
        silences = [one for day, special in said.items() for one in openings_on(day, special.silent, "silence", zone)]
        return silenced([*held, *without(settled(hours_of_days, zone), held)], silences)

    return PagedCalendar(zone, source)


def _view(view: PrivateView, day: dt.date, zone: ZoneInfo) -> Iterator[Opening]:
    return openings_on(day, view.open, view.why, zone, view.terms)


def openings_on(
    day: dt.date, spans: Spans, why: str, zone: ZoneInfo, terms: EventTerms = EVERYDAY
) -> Iterator[Opening]:
    """The openings that begin on a day, from its written spans."""
    for span in day_spans(spans):
        yield Opening(instant(day, span.start_min, zone), instant(day, span.end_min, zone), why, terms)
