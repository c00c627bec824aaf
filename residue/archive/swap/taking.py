"""Carries out swaps so that an interruption at any moment leaves a whole performance, the old or the new one.

No journal is kept: `recover` sees from the folders how far a swap had come, and completes it.
"""

from __future__ import annotations

import fcntl
import logging
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from residue.archive.beside import PREFIX, is_being_made, onto_disk, telling
from residue.archive.swap.places import Candidate, beside, named, requests
from residue.problems import Finding, Severity, stopping

log = logging.getLogger(__name__)


def waiting(performances: Path) -> list[Candidate]:
    """Requested swaps by name. A request whose bag or file is incomplete is left out."""
    found = []
    for name, request in requests(performances).items():
        bag = beside(performances, name, "before" if request and request.back else "waiting")
        if request is not None and bag.is_dir():
            found.append(Candidate(name=name, request=request, path=bag))
    return found


def withdraw(performances: Path, name: str) -> None:
    """Removes the request for a performance, and the copy that waits."""
    with _alone(performances):
        beside(performances, name, "swap").unlink(missing_ok=True)
        _remove(_aside(beside(performances, name, "waiting")))


def take(performances: Path, candidate: Candidate) -> None:
    """Puts a candidate in its place, and keeps the old performance as the version before. Raises ProblemError."""
    name, place = candidate.name, performances / candidate.name
    if not candidate.path.is_dir():
        what = f"{candidate.request.bag} is no longer there to take the place of {name}."
        raise stopping("swap", what, "Ask for it again.")
    with _alone(performances):
        if candidate.request.back:
            _move(place, beside(performances, name, "leaving"))
            _end_exchange(performances, name)
        else:
            gone = _aside(beside(performances, name, "before"))
            if place.exists():
                _move(place, beside(performances, name, "before"))
            _move(candidate.path, place)
            _remove(gone)
        beside(performances, name, "swap").unlink(missing_ok=True)
    log.info("%s replaces %s from now on", candidate.request.bag, name)


def _end_exchange(performances: Path, name: str) -> None:
    if not (performances / name).exists():
        _move(beside(performances, name, "before"), performances / name)
    _move(beside(performances, name, "leaving"), beside(performances, name, "before"))


def recover(performances: Path) -> list[Finding]:
    """Completes interrupted swaps; call it before the performances are read. Gives messages about its work."""
    if not performances.is_dir():
        return []
    findings = []
    with _alone(performances):
        for name in named(performances, "leaving"):
            _end_exchange(performances, name)
            beside(performances, name, "swap").unlink(missing_ok=True)
            findings.append(_note(name, "the earlier version is back in its place"))
        for kind, words in (("waiting", "the new performance"), ("before", "the performance before")):
            for name in named(performances, kind):
                if not (performances / name).exists():
                    _move(performances / f".{name}.{kind}", performances / name)
                    beside(performances, name, "swap").unlink(missing_ok=True)
                    findings.append(_note(name, f"{words} replaces it"))
        for name, request in requests(performances).items():
            if request is None:
                _remove(beside(performances, name, "swap"))
                findings.append(_note(name, "ask for it again"))
        for name in named(performances, "waiting"):
            if not beside(performances, name, "swap").exists():  # it was copied, but never requested
                _remove(_aside(beside(performances, name, "waiting")))
        for half in performances.glob(f"{PREFIX}*"):
            if not is_being_made(half):
                _remove(half)
    return findings


def _note(name: str, words: str) -> Finding:
    return Finding(Severity.NOTES, f"performances/{name}", f"A swap was cut short; {words}.", "")


@contextmanager
def _alone(performances: Path) -> Iterator[None]:
    """Locks performances/ against other changes. Raises ProblemError where the disk refuses."""
    with telling(performances):
        performances.mkdir(exist_ok=True)
        handle = os.open(performances, os.O_RDONLY | os.O_DIRECTORY)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX)
            yield
        finally:
            os.close(handle)


def _move(source: Path, target: Path) -> None:
    """Makes one rename within a folder, which is on the disk afterwards."""
    source.rename(target)
    onto_disk(target.parent)


def _aside(folder: Path) -> Path | None:
    """Moves an unwanted folder aside, so that no half of it remains under its name."""
    if not folder.exists():
        return None
    going = Path(tempfile.mkdtemp(prefix=PREFIX, dir=folder.parent))
    _move(folder, going)
    return going


def _remove(half: Path | None) -> None:
    """Removes an unwanted folder; what cannot be removed stays for the next time."""
    if half is not None and half.is_dir():
        shutil.rmtree(half, ignore_errors=True)
    elif half is not None:
        half.unlink(missing_ok=True)
