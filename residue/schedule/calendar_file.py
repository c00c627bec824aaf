"""A calendar file as the house knows it: every event of some days, and its meaning."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from hashlib import sha256

from residue.problems import Finding
from residue.schedule.opening import EventTerms, Opening, silenced

MOST_BYTES = 4_000_000
"""Our own bound: a larger file is not a house's hours."""


class Meaning(StrEnum):
    """The meaning of an event."""

    CLOSED = "closed"
    PRIVATE_VIEW = "private view"
    OPEN = "open"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Said:
    """An event on one day."""

    meaning: Meaning
    piece: Opening
    """From when to when, and its summary."""
    once: bool
    """It is not repeated."""


@dataclass(frozen=True, slots=True)
class TakenTitle:
    """A title of the file and how its events were taken."""

    title: str
    taken_as: str
    """In words, such as "taken as open"; "left aside", with the reason, where the events do not count."""
    terms: EventTerms
    events: int
    """How many events of the file have this title and are taken so; a repeated one is one."""


@dataclass(frozen=True)
class CalendarFile:
    """A calendar file that was read and can be relied upon.

    said: gives every event that counts during some local days.
    digest: of the text.
    terms: those of its events, each with the place where they are written.
    findings: what the curator may want to know though nothing stops it.
    titles: how each title was taken.
    record: the openings that were worked out so far, to be kept beside the file.
    """

    said: Callable[[dt.date, int], list[Said]]
    digest: str
    terms: Mapping[EventTerms, str]
    findings: tuple[Finding, ...]
    titles: tuple[TakenTitle, ...] = ()
    record: bytes | None = None

    def everyday(self, first: dt.date, days: int) -> list[Opening]:
        """Open hours less closed hours, in which the house is silent."""
        said = self.said(first, days)
        closed = [one.piece for one in said if one.meaning is Meaning.CLOSED]
        return silenced((one.piece for one in said if one.meaning is Meaning.OPEN), closed)

    def private_views(self, first: dt.date, days: int) -> list[Opening]:
        """The private views, beside the ordinary openings."""
        return [one.piece for one in self.said(first, days) if one.meaning is Meaning.PRIVATE_VIEW]


def digest_of(content: bytes) -> str:
    """The SHA-256 of a calendar's text, without a byte order mark."""
    return sha256(content.removeprefix(b"\xef\xbb\xbf")).hexdigest()
