"""The openings of a day by the hours that were in force then, which the log keeps."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import msgspec

from residue.runtime.journal.hours_in_force import HoursRow, HoursSaid
from residue.schedule.calendar import Calendar
from residue.schedule.opening import Opening
from residue.schedule.spans import local

_EVER = datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class OpeningThen:
    """An opening as it came to be.

    said: the hours in force at its beginning; None where the log does not tell them, and it is by the present files.
    """

    opening: Opening
    said: HoursSaid | None


@dataclass(frozen=True, slots=True)
class HoursThen:
    """The openings that began on a day. from_log: False where they are by the present files."""

    openings: Sequence[OpeningThen]
    from_log: bool


@dataclass(frozen=True, slots=True)
class _Version:
    """Hours, and the time in which they were in force."""

    begins: datetime
    ends: datetime
    said: HoursSaid


def said_in(row: HoursRow) -> HoursSaid | None:
    """What a row tells; None for one that this version cannot read."""
    try:
        return msgspec.json.decode(row.said, type=HoursSaid)
    except (msgspec.MsgspecError, ValueError):
        return None


def hours_then(day: date, rows: Sequence[HoursRow], present: Calendar | None, zone: ZoneInfo) -> HoursThen | None:
    """The hours of a day; None where nobody knows them.

    rows: the hours in the log, those in force at the beginning of the day first. present: the calendar of the present
    files, for a day of which the log has no hours.
    """
    versions = [one for one in _versions(rows) if one.said.knows(day)]
    if not versions:
        if present is None:
            return None
        return HoursThen([OpeningThen(one, None) for one in present.openings(day, 1)], from_log=False)
    pieces = (piece for version in versions for piece in _in_force(version, day, zone))
    return HoursThen(list(_joined(sorted(pieces, key=lambda piece: piece.opening.opens))), from_log=True)


def _versions(rows: Sequence[HoursRow]) -> Iterator[_Version]:
    """Before the first row the house did not run: its hours count for that time too, so that none is left out."""
    told = [(datetime.fromisoformat(row.utc), said) for row in rows if (said := said_in(row)) is not None]
    starts = [datetime.min.replace(tzinfo=UTC), *(at for at, _ in told[1:]), _EVER]
    for (begins, ends), (_, said) in zip(pairwise(starts), told, strict=False):
        yield _Version(begins, ends, said)


def _in_force(version: _Version, day: date, zone: ZoneInfo) -> Iterator[OpeningThen]:
    """The parts of the openings of a day that lie in the time of a version."""
    for one in version.said.openings:
        opens, closes = max(one.opens, version.begins), min(one.closes, version.ends)
        if local(one.opens, zone).date() == day and opens < closes:
            yield OpeningThen(replace(one, opens=local(opens, zone), closes=local(closes, zone)), version.said)


def _joined(pieces: Iterable[OpeningThen]) -> Iterator[OpeningThen]:
    """An opening that goes on under other hours is one."""
    last: OpeningThen | None = None
    for piece in pieces:
        if last is not None and _goes_on(last.opening, piece.opening):
            last = replace(last, opening=replace(last.opening, closes=piece.opening.closes))
            continue
        if last is not None:
            yield last
        last = piece
    if last is not None:
        yield last


def _goes_on(one: Opening, other: Opening) -> bool:
    return one.closes == other.opens and (one.why, one.terms) == (other.why, other.terms)
