"""The content of one notice: in words for a person, as an object for a program."""

from __future__ import annotations

import ssl
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import msgspec

import residue


class NoticeError(Exception):
    """A notice could not be sent; the text gives the reason, for people."""


def why(error: Exception) -> str:
    """The reason why a notice was not accepted, for people."""
    match error:
        case ssl.SSLCertVerificationError():
            mend = "Write the name that its certificate has, or ca_file where an authority of your own made it."
            return f"Its certificate is not valid: {error.verify_message}. {mend}"
        case PermissionError():
            return f"{error.strerror}: `residue check` says what forbids it."
        case TimeoutError():
            return "It did not answer in time."
        case OSError():
            return f"{error.strerror or error}."
    return str(error)


class Trouble(msgspec.Struct, frozen=True):
    """A fault, with its times in UTC. until: None while it lasts."""

    text: str
    since: datetime
    until: datetime | None = None


@dataclass(frozen=True, slots=True)
class SentFrom:
    """The house that a notice comes from."""

    piece: str
    place: str
    zone: ZoneInfo

    def at(self, moment: datetime) -> datetime:
        """The local time of a moment."""
        return moment.astimezone(self.zone)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bulletin:
    """The content of one notice.

    begun: faults since the notice before. ended: faults that this recipient knows of and that are over. passed: faults
    that ended before they could be reported. standing: all present faults. lines: of the days that are due.
    passed_more: the number of further ones, which are not listed.
    """

    sender: SentFrom
    at: datetime
    begun: Sequence[Trouble] = ()
    ended: Sequence[Trouble] = ()
    passed: Sequence[Trouble] = ()
    passed_more: int = 0
    standing: Sequence[Trouble] = ()
    lines: Sequence[str] = ()
    test: bool = False

    @property
    def subject(self) -> str:
        """One line, with the place first."""
        return f"{self.sender.piece}, {self.sender.place}: {self._what()}".replace("\n", " ")

    def _what(self) -> str:
        if self.test:
            return "a test"
        if self.begun:
            return "a fault" if len(self.begun) == 1 else f"{len(self.begun)} faults"
        if self.ended or self.passed:
            count = len(self.standing)
            return "recovered" if not count else "1 fault still stands" if count == 1 else f"{count} faults still stand"
        return "the day" if len(self.lines) == 1 else "the days"

    @property
    def text(self) -> str:
        """Plain text, one sentence a line."""
        return "\n".join(self._lines()) + "\n"

    def _lines(self) -> Iterator[str]:
        if self.test:
            yield "This is a test. Nothing is wrong: a person asked for it with `residue notice --test`."
        yield from self._part("New:", self.begun)
        yield from self._part("Over:", self.ended)
        yield from self._part("Came and went before this could be sent:", self.passed)
        if self.passed_more:
            yield f"- and {self.passed_more} more: residue report"
        known = {trouble.text for trouble in self.begun}
        yield from self._part("Still there:", [trouble for trouble in self.standing if trouble.text not in known])
        if (self.ended or self.passed) and not self.standing:
            yield "No fault stands any more."
        yield from self.lines
        yield ""
        yield f"Sent {self.sender.at(self.at):%a %Y-%m-%d %H:%M} by residue {residue.__version__}. Times are those of "
        yield f"{self.sender.zone}. On its machine `residue status` says how the house is now."

    def _part(self, title: str, troubles: Sequence[Trouble]) -> Iterator[str]:
        if troubles:
            yield title
        for one in troubles:
            until = f" to {self.sender.at(one.until):%H:%M}" if one.until else ""
            yield f"- {self.sender.at(one.since):%a %H:%M}{until}: {one.text}".replace("\n", " ")

    def as_object(self) -> dict[str, Any]:
        """JSON-ready, with times in ISO 8601 with offset; `text` is the notice in words."""
        return {
            "piece": self.sender.piece,
            "place": self.sender.place,
            "time": self.sender.at(self.at).isoformat(timespec="seconds"),
            "ok": not self.standing,
            "test": self.test,
            "new": self._objects(self.begun),
            "over": self._objects(self.ended),
            "passed": self._objects(self.passed),
            "standing": self._objects(self.standing),
            "days": list(self.lines),
            "text": f"{self.subject}\n{self.text}",
        }

    def _objects(self, troubles: Sequence[Trouble]) -> list[dict[str, str | None]]:
        return [
            {
                "what": one.text,
                "since": self.sender.at(one.since).isoformat(timespec="seconds"),
                "until": self.sender.at(one.until).isoformat(timespec="seconds") if one.until else None,
            }
            for one in troubles
        ]
