"""A target: readers that get content from outside, and what must hold whatever the content is."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from residue.problems import Finding, ProblemError

Trial = Callable[[bytes], str]
"""Gives one content to the readers; tells in words what they said of it. Raises whatever they may not raise."""

SAID = re.compile(r"[\d.]+|'[^']*'|\"[^\"]*\"")


@dataclass(frozen=True)
class Target:
    """seeds: good contents to begin with. trial: is given an empty folder. words: worth putting in."""

    seeds: Callable[[Path], Sequence[bytes]]
    trial: Callable[[Path], Trial]
    words: tuple[bytes, ...] = ()


def apart(words: str) -> str:
    """What is said, without what differs from one content to the next: new words mean a new way through a reader."""
    return SAID.sub("#", words)[:300]


def told(findings: Sequence[Finding]) -> str:
    """Findings in words; each must be whole, and none may be a traceback."""
    for finding in findings:
        if not finding.what.strip() or "Traceback" in finding.what:
            raise AssertionError(f"no sentence for a person: {finding!r}")
    return apart("; ".join(finding.what for finding in findings[:3]))


def answered(read: Callable[[], str]) -> str:
    """What a reader says, be it a fault in words."""
    try:
        return read()
    except ProblemError as problem:
        return told(problem.findings)


def parts(content: bytes) -> Mapping[str, bytes]:
    """Several files in one content: a line "==== NAME", then the file."""
    pieces = re.split(rb"(?m)^==== ([ -~]{1,60})\n", content)
    return {name.decode(): file for name, file in zip(pieces[1::2], pieces[2::2], strict=True)}


def joined(files: Mapping[str, bytes]) -> bytes:
    """The content that these files make; each ends with a line break."""
    return b"".join(b"==== %s\n%s" % (name.encode(), file) for name, file in files.items())
