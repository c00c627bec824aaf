"""A performance that shall replace another, and when."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from pathlib import Path

import msgspec

from residue.records import SpoiltRecordError, read_record


class When(StrEnum):
    """The moment at which the new performance is taken, the most urgent first."""

    NOW = "now"
    """At once, with a crossfade."""
    AT_REST = "at-rest"
    """As soon as the old one does not play."""
    AT_OPENING = "at-opening"
    """Before the house opens next."""


class Request(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """That a performance shall take another's place: the content of .NAME.swap, as JSON."""

    when: When
    bag: str
    """What a person calls the new one."""
    asked: datetime
    back: bool = False
    """The new one is the one before."""


class Candidate(msgspec.Struct, frozen=True, kw_only=True):
    """A performance in performances/ that shall replace another."""

    name: str
    """Of the performance whose place it takes."""
    request: Request
    path: Path
    """The bag."""


def read_request(path: Path) -> Request | None:
    """Reads a request from a file .NAME.swap; None where it cannot be read."""
    try:
        return read_record(path, Request)
    except (OSError, SpoiltRecordError):
        return None
