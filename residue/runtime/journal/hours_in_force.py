"""The hours in force, as the log keeps them: openings and programme, worked out, so that no later file changes them."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import msgspec

from residue.installation.load import HOURS_FILES, Installation
from residue.schedule.calendar_file import MOST_BYTES
from residue.schedule.opening import Opening
from residue.schedule.programme import Programme
from residue.small_files import read_small

BACK_DAYS, AHEAD_DAYS = 1, 31
"""Our own choice: after so long without a run nobody knows which hours were in force."""
_DIGITS = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class HoursRow:
    """The hours from a moment on, until the next row."""

    utc: str
    digest: str
    """Of hours.toml and hours.ics, by which a kept copy of them is known again."""
    said: str
    """HoursSaid, as JSON."""


class HoursSaid(msgspec.Struct, frozen=True, kw_only=True):
    """What the hours say of some days.

    zone: the key of a zone, as of `zone_called`. first, last: the days on which the openings begin. duration_s: how
    long each performance sounds; empty while that is not known.
    """

    zone: str
    first: date
    last: date
    openings: Sequence[Opening]
    programme: Programme
    duration_s: Mapping[str, float]

    def knows(self, day: date) -> bool:
        """Whether the openings of this day are among these."""
        return self.first <= day <= self.last


def hours_said(installation: Installation, today: date, duration_s: Mapping[str, float]) -> HoursSaid:
    """What the hours of an installation say of the days around today. Raises ProblemError."""
    first, last = today - timedelta(days=BACK_DAYS), today + timedelta(days=AHEAD_DAYS)
    return HoursSaid(
        zone=installation.calendar.zone.key,
        first=first,
        last=last,
        openings=installation.calendar.openings(first, (last - first).days + 1),
        programme=installation.hours.programme,
        duration_s={name: duration_s[name] for name in installation.played if name in duration_s},
    )


def hours_digest(folder: Path) -> str:
    """The digest of the curator's files in a folder; one that cannot be read counts as missing."""
    digest = hashlib.sha256()
    for name in HOURS_FILES:
        with suppress(OSError):
            digest.update(name.encode() + hashlib.sha256(read_small(folder / name, MOST_BYTES)).digest())
    return digest.hexdigest()[:_DIGITS]
