"""Problems: a fault, its place and its mend, the only form in which residue reports trouble to people."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

STEERING = re.compile(r"[^\n\t -\x7e\xa0-\u2027\u202f-\u2065\u206a-\U0010ffff]")
"""Control characters, which would have an effect where the text is shown; text from people may contain them.

Those that break a line or turn its direction are among them, so that no name makes the words after it read otherwise
(UAX #9: embeddings, overrides, isolates). The marks of direction, which text from right to left needs, are not.
"""

_NEAR, _AS_NEAR = 0.6, 0.05
"""From which likeness on a name is offered, and up to which distance others are offered with it; our choice."""


class Severity(StrEnum):
    """How much a finding matters."""

    STOPS = "stops"
    """The installation cannot open, or a request cannot be carried out."""
    WARNS = "warns"
    """It runs, but a person should check it."""
    NOTES = "notes"
    """A fact that stops nothing."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding: where (file and key, or the part of the machine), what is wrong, and the mend."""

    severity: Severity
    where: str
    what: str
    mend: str

    def __str__(self) -> str:
        r"""One line; a line break, which the name of a file may hold, as \u000a."""
        return escaped(f"{self.where}: {self.what} {self.mend}".rstrip()).replace("\n", r"\u000a")


class ProblemError(Exception):
    """Work could not be done for the reasons in `findings`, all of them at once; shown to people unchanged."""

    def __init__(self, findings: Iterable[Finding]) -> None:
        self.findings = tuple(findings)
        super().__init__("\n".join(map(str, self.findings)))

    def __reduce__(self) -> tuple[type[ProblemError], tuple[tuple[Finding, ...]]]:
        """Comes from another process as it was raised there."""
        return ProblemError, (self.findings,)


def escaped(text: str) -> str:
    r"""The text with control characters written as in TOML and JSON, such as \u001b."""
    return STEERING.sub(lambda match: f"\\u{ord(match[0]):04x}", text)


def storable(text: str) -> str:
    r"""The text as every file can hold it: also without bytes of a file's name that are no UTF-8, written as \xff."""
    return escaped(text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace"))


def stops(findings: Iterable[Finding]) -> bool:
    """Whether one of them stops the work."""
    return any(finding.severity is Severity.STOPS for finding in findings)


def without_place(findings: Iterable[Finding]) -> str:
    """What is wrong and the mends in one text, for where the place is known."""
    return storable(" ".join(f"{finding.what} {finding.mend}".strip() for finding in findings))


def stopping(where: str, what: str, mend: str) -> ProblemError:
    """The error for a single finding that stops the work."""
    return ProblemError([Finding(Severity.STOPS, where, what, mend)])


def nearest(name: str, names: Iterable[str]) -> str:
    """A closing half-sentence that names the valid names nearest to `name`, or all of them if none is near."""
    known = sorted(names)
    near = [(difflib.SequenceMatcher(None, one, name).ratio(), one) for one in known]
    best = max(near, default=(0.0, ""))[0]
    if best > _NEAR:
        alike = [one for ratio, one in near if ratio > best - _AS_NEAR]
        return f"Did you mean {' or '.join([', '.join(alike[:-1]), alike[-1]] if alike[1:] else alike)}?"
    return f"Write one of: {', '.join(known)}." if known else "There is none to choose from."
