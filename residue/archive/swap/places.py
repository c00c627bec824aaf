"""The folder performances/ during a swap: folders, requests and candidates.

Everything is in the installation's folder performances/, and every step is one rename within this folder:

    NAME             what plays
    NAME.at-rest     dropped there by a person: what will play; so with .now and .at-opening
    .NAME.waiting    what will play, copied there and verified; .NAME.swap says when
    .NAME.before     what played before
    .NAME.leaving    only while it is exchanged with the one before

Renames within one folder need the right to change that folder, and none to the bags.
"""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Literal

import msgspec

from residue.records import SpoiltRecordError, read_record


class When(StrEnum):
    """The moment of the swap, the most urgent first."""

    NOW = "now"
    """At once, with a crossfade."""
    AT_REST = "at-rest"
    """When the old one does not play."""
    AT_OPENING = "at-opening"
    """Before the next opening of the house."""


class Request(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A request to replace a performance: the content of .NAME.swap, as JSON."""

    when: When
    bag: str
    """The name of the new one, as given by a person."""
    asked: datetime
    back: bool = False
    """The new one is the version before."""


class Candidate(msgspec.Struct, frozen=True, kw_only=True):
    """A bag that is to replace the performance `name`."""

    name: str
    request: Request
    path: Path
    """The folder of the bag."""

    @property
    def what(self) -> str:
        """The two performances, in words for people."""
        return f"{self.request.bag} in the place of {self.name}"


def read_request(path: Path) -> Request | None:
    """Reads a request from a file .NAME.swap; None where it cannot be read."""
    try:
        return read_record(path, Request)
    except (OSError, SpoiltRecordError):
        return None


def beside(performances: Path, name: str, kind: Literal["waiting", "before", "leaving", "swap"]) -> Path:
    """The file or folder of a swap, beside a performance."""
    return performances / f".{name}.{kind}"


def named(performances: Path, kind: str) -> list[str]:
    """The performances with a folder waiting, before or leaving."""
    found = (path.name[1:].removesuffix(f".{kind}") for path in performances.glob(f".*.{kind}") if path.is_dir())
    return sorted(found)


def requests(performances: Path) -> dict[str, Request | None]:
    """The requests, by the performance to be replaced; None where the file cannot be read."""
    return {path.name[1:].removesuffix(".swap"): read_request(path) for path in sorted(performances.glob(".*.swap"))}
