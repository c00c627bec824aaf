"""A calendar file in the form for the house: every event of some days, and its meaning."""

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
    """Its begin, its end, and its summary."""
    once: bool
    """Whether it is a single event."""


@dataclass(frozen=True, slots=True)
class TakenTitle:
    """A title of the file, and the meaning given to its events."""

    title: str
    taken_as: str
    """The meaning in words, such as "taken as open"; or "left aside", with the reason, if the events do not count."""
    terms: EventTerms
    events: int
    """The number of events with this title and meaning; a repeated one counts once."""


@dataclass(frozen=True)
class CalendarFile:
    """A calendar file that was read and is reliable.

    said: gives every event that counts during some local days. digest: of the text. terms: those of its events, each
    with its place in the file. findings: facts for the curator that stop nothing. titles: the meaning given to each
    title. record: gives the openings that are computed so far, to be kept beside the file. ask_again: years that were
    refused are tried again from now on.
    """

    said: Callable[[dt.date, int], list[Said]]
    digest: str
    terms: Mapping[EventTerms, str]
    findings: tuple[Finding, ...]
    titles: tuple[TakenTitle, ...] = ()
    record: Callable[[], bytes] | None = None
    ask_again: Callable[[], None] | None = None

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
