"""The time zone of a house on tour: one zone after another, each from the midnight of a date on."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from zoneinfo import ZoneInfo


@dataclass(frozen=True, slots=True)
class _Change:
    """A change of the house's clock from one zone to the next.

    wall: its time by the clock of the zone before. at: the same instant.
    """

    wall: dt.datetime
    at: dt.datetime
    zone: ZoneInfo
    shift: dt.timedelta

    def has_come(self, moment: dt.datetime) -> bool:
        """Whether a local time is after the change; for times in the gap or fold by RFC 5545, 3.3.5."""
        early, late = sorted((self.wall, self.wall + self.shift))
        wall = moment.replace(tzinfo=None, fold=0)
        return wall >= late or (wall >= early and moment.fold == 1)


class TourZone(ZoneInfo):
    """A zone with the clock of each leg in its time; for its users, one zone whose clock changes from time to time.

    Its key contains the whole tour, for `zone_called`, which alone makes it.
    """

    legs: str
    first: ZoneInfo
    changes: tuple[_Change, ...]

    @property
    def key(self) -> str:
        """The zones of the tour, such as "Europe/Berlin; 2027-03-01 Europe/Lisbon"."""
        return self.legs

    def at(self, moment: dt.datetime) -> ZoneInfo:
        """The zone of the leg at an instant."""
        return next((change.zone for change in reversed(self.changes) if change.at <= moment), self.first)

    def utcoffset(self, moment: dt.datetime | None) -> dt.timedelta | None:
        """The offset in force at a local time."""
        return None if moment is None else self._there(moment).utcoffset()

    def dst(self, moment: dt.datetime | None) -> dt.timedelta | None:
        """The part of the offset that is summer time."""
        return None if moment is None else self._there(moment).dst()

    def tzname(self, moment: dt.datetime | None) -> str | None:
        """The abbreviation of the offset."""
        return None if moment is None else self._there(moment).tzname()

    def fromutc(self, moment: dt.datetime) -> dt.datetime:
        """The local time of an instant."""
        instant = moment.replace(tzinfo=dt.UTC)
        there = instant.astimezone(self.at(instant))
        again = any(
            change.at <= instant and change.wall + change.shift <= there.replace(tzinfo=None, fold=0) < change.wall
            for change in self.changes
        )
        return there.replace(tzinfo=self, fold=1 if again else there.fold)

    def _there(self, moment: dt.datetime) -> dt.datetime:
        zone = next((change.zone for change in reversed(self.changes) if change.has_come(moment)), self.first)
        return moment.replace(tzinfo=zone)


def tour_key(first: str, legs: list[tuple[dt.date, str]]) -> str:
    """The key of a tour: the zone at first, and the zones of the legs with the dates on which they begin."""
    return "; ".join([first, *(f"{day.isoformat()} {zone}" for day, zone in sorted(legs))])


@cache
def zone_called(key: str) -> ZoneInfo:
    """The zone of an IANA name, or of a tour's key."""
    first, *legs = key.split("; ")
    if not legs:
        return ZoneInfo(first)
    tour = TourZone.no_cache(first)
    tour.legs, tour.first = key, ZoneInfo(first)
    days, names = zip(*(leg.split(" ") for leg in legs), strict=True)
    zones = [tour.first, *map(ZoneInfo, names)]
    starts = [dt.datetime.combine(dt.date.fromisoformat(day), dt.time()) for day in days]
    tour.changes = tuple(_change(start, *pair) for start, pair in zip(starts, pairwise(zones), strict=True))
    return tour


def _change(wall: dt.datetime, before: ZoneInfo, after: ZoneInfo) -> _Change:
    at = wall.replace(tzinfo=before).astimezone(dt.UTC)
    return _Change(wall, at, after, at.astimezone(after).replace(tzinfo=None) - wall)


def zone_at(zone: ZoneInfo, moment: dt.datetime) -> ZoneInfo:
    """The zone of the IANA database at an instant."""
    return zone.at(moment) if isinstance(zone, TourZone) else zone
