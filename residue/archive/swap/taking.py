"""Taking what waits, so that a cut at any moment leaves the old performance or the new one, whole.

No journal is kept: `recover` sees from what stands there how far a swap had come, and ends it.
"""

from __future__ import annotations

import logging
from pathlib import Path

from residue.archive.beside import PREFIX, is_being_made
from residue.archive.swap.candidate import Candidate, read_request
from residue.archive.swap.places import (
    alone,
    aside,
    before_path,
    leaving_path,
    move,
    named,
    remove,
    request_path,
    waiting_path,
)
from residue.problems import Finding, Severity, stopping

log = logging.getLogger(__name__)


def take(performances: Path, candidate: Candidate) -> None:
    """Put a candidate in its place, and keep what stood there as the one before. Raises ProblemError."""
    if not candidate.path.is_dir():
        what = f"{candidate.request.bag} is no longer there to take the place of {candidate.name}."
        raise stopping("swap", what, "Ask for it again.")
    with alone(performances):
        if candidate.request.back:
            _exchange(performances, candidate.name)
        else:
            _replace(performances, candidate)
        request_path(performances, candidate.name).unlink(missing_ok=True)
    log.info("%s replaces %s from now on", candidate.request.bag, candidate.name)


def _replace(performances: Path, candidate: Candidate) -> None:
    place, before = performances / candidate.name, before_path(performances, candidate.name)
    gone = aside(before)
    if place.exists():
        move(place, before)
    move(candidate.path, place)
    remove(gone)


def _exchange(performances: Path, name: str) -> None:
    move(performances / name, leaving_path(performances, name))
    _end_exchange(performances, name)


def _end_exchange(performances: Path, name: str) -> None:
    if not (performances / name).exists():
        move(before_path(performances, name), performances / name)
    move(leaving_path(performances, name), before_path(performances, name))


def recover(performances: Path) -> list[Finding]:
    """End what a cut has interrupted; to be called before the performances are read. Says what it did."""
    if not performances.is_dir():
        return []
    findings = []
    with alone(performances):
        for name in named(performances, "leaving"):
            _end_exchange(performances, name)
            request_path(performances, name).unlink(missing_ok=True)
            findings.append(_note(name, "the earlier version is back in its place"))
        for kind, words in (("waiting", "the new performance"), ("before", "the performance before")):
            for name in named(performances, kind):
                if not (performances / name).exists():
                    move(performances / f".{name}.{kind}", performances / name)
                    request_path(performances, name).unlink(missing_ok=True)
                    findings.append(_note(name, f"{words} replaces it"))
        for request in performances.glob(".*.swap"):
            if read_request(request) is None:
                remove(request)
                findings.append(_note(request.name[1:].removesuffix(".swap"), "ask for it again"))
        for name in named(performances, "waiting"):
            if not request_path(performances, name).exists():  # it was copied, and never asked for
                remove(aside(waiting_path(performances, name)))
        for half in performances.glob(f"{PREFIX}*"):
            if not is_being_made(half):
                remove(half)
    return findings


def _note(name: str, words: str) -> Finding:
    return Finding(Severity.NOTES, f"performances/{name}", f"A swap was cut short; {words}.", "")
