"""Putting one performance in the place of another, so that a cut at any moment leaves the old or the new one, whole.

Everything is in the installation's folder performances/, and every step is one rename:

    NAME/           what plays
    .waiting/NAME/  what will play, verified; .waiting/NAME.json says when
    .before/NAME/   what played before
    .leaving/NAME/  only during `back`: what is about to become the one before

No journal is kept: `recover` sees from what stands there how far a swap had come, and ends it.
"""

from __future__ import annotations

import logging
import shutil
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path

import msgspec

from residue.archive.bag import open_bag
from residue.archive.beside import PREFIX, file_beside, folder_beside, onto_disk, telling
from residue.archive.fixity import is_valid, verify
from residue.archive.prepared import Needs, check_needs
from residue.problems import Finding, ProblemError, Severity, nearest, stopping
from residue.progress import Progress, silent

log = logging.getLogger(__name__)

WAITING, BEFORE, LEAVING = ".waiting", ".before", ".leaving"


class When(StrEnum):
    """The moment at which the new performance is taken."""

    NOW = "now"
    """At once, with a crossfade."""
    AT_REST = "at-rest"
    """In the next rest between performances."""
    AT_OPENING = "at-opening"
    """Before the house opens next."""


class Waiting(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A performance that is ready to take another's place."""

    name: str
    """Of the performance whose place it takes."""
    when: When
    digest: str


def place_for(bag: Path, programme: Sequence[str], asked: str | None = None) -> str:
    """Whose place a bag takes: the one asked for, its namesake, or the only one there is. Raises ProblemError."""
    names = list(dict.fromkeys(programme))
    if asked is not None and asked not in names:
        raise stopping("swap", f'There is no performance "{asked}" in the programme.', nearest(asked, names))
    if asked is not None or bag.name in names:
        return asked if asked is not None else bag.name
    if len(names) == 1:
        return names[0]
    raise stopping("swap", f"It is not said whose place {bag.name} takes.", f"Name one of: {', '.join(names)}.")


def stage(bag: Path, performances: Path, name: str, when: When, needs: Needs, progress: Progress = silent) -> Waiting:
    """Verify a bag, copy it to where it waits for its moment, and verify the copy. Raises ProblemError.

    needs: what the piece reads; a bag that lacks it never gets to wait. What plays is not touched.
    """
    _refuse_unless_valid(verify(bag, progress))
    check_needs(open_bag(bag), needs)
    withdraw(performances, name)
    waiting = performances / WAITING / name
    with folder_beside(waiting) as making:
        shutil.copytree(bag, making, dirs_exist_ok=True)
        _refuse_unless_valid(verify(making, progress))
    asked = Waiting(name=name, when=when, digest=open_bag(waiting).digest)
    with file_beside(_request(performances, name)) as making:
        making.write_bytes(msgspec.json.encode(asked))
    log.info("%s waits to take the place of %s, %s", bag.name, name, when)
    return asked


def _refuse_unless_valid(findings: list[Finding]) -> None:
    if not is_valid(findings):
        raise ProblemError(findings)


def waiting(performances: Path) -> list[Waiting]:
    """The performances that wait, by name. One whose bag or request is not whole does not wait."""
    found = []
    for request in sorted((performances / WAITING).glob("*.json")):
        try:
            asked = msgspec.json.decode(request.read_bytes(), type=Waiting)
        except (OSError, msgspec.MsgspecError):
            log.warning("%s cannot be read; the swap has to be asked for again", request)
            continue
        if asked.name == request.stem and (performances / WAITING / asked.name).is_dir():
            found.append(asked)
    return found


def withdraw(performances: Path, name: str) -> None:
    """Forget what waits for a place."""
    _request(performances, name).unlink(missing_ok=True)
    _discard(performances / WAITING / name)


def take(performances: Path, name: str) -> None:
    """Put what waits in its place, and keep what stood there as the one before. Raises ProblemError."""
    if name not in {one.name for one in waiting(performances)}:
        raise stopping("swap", f"Nothing waits to take the place of {name}.", "Ask for a swap first.")
    with telling(performances):
        _discard(performances / BEFORE / name)
        if (performances / name).exists():
            _move(performances / name, performances / BEFORE / name)
        _move(performances / WAITING / name, performances / name)
        _request(performances, name).unlink(missing_ok=True)
    log.info("%s is another performance now", name)


def back(performances: Path, name: str) -> None:
    """Exchange what plays with the one before; a second time undoes the first. Raises ProblemError."""
    if not (performances / BEFORE / name).is_dir():
        raise stopping("swap", f"There is no performance before {name}.", "Swap in the bag that you want.")
    with telling(performances):
        _move(performances / name, performances / LEAVING / name)
        _end_back(performances, name)
    log.info("%s is the performance before again", name)


def _end_back(performances: Path, name: str) -> None:
    if not (performances / name).exists():
        _move(performances / BEFORE / name, performances / name)
    _move(performances / LEAVING / name, performances / BEFORE / name)


def recover(performances: Path) -> list[Finding]:
    """End what a cut has interrupted; to be called before the performances are read. Says what it did."""
    findings = []
    with telling(performances):
        for leaving in sorted((performances / LEAVING).glob("*")):
            _end_back(performances, leaving.name)
            findings.append(_note(leaving.name, "the performance before stands in its place"))
        for source, words in ((WAITING, "the new performance"), (BEFORE, "the performance before")):
            for whole in sorted((performances / source).glob("[!.]*")):
                if whole.is_dir() and not (performances / whole.name).exists():
                    _move(whole, performances / whole.name)
                    _request(performances, whole.name).unlink(missing_ok=True)
                    findings.append(_note(whole.name, f"{words} stands in its place"))
        for half in [half for place in ("", WAITING, BEFORE) for half in (performances / place).glob(f"{PREFIX}*")]:
            shutil.rmtree(half, ignore_errors=True)
    return findings


def _note(name: str, words: str) -> Finding:
    return Finding(Severity.NOTES, f"performances/{name}", f"A swap was cut short; {words}.", "")


def _request(performances: Path, name: str) -> Path:
    return performances / WAITING / f"{name}.json"


def _move(source: Path, target: Path) -> None:
    """One rename, on the disk when it returns."""
    target.parent.mkdir(exist_ok=True)
    source.rename(target)
    onto_disk(target.parent)
    onto_disk(source.parent)


def _discard(folder: Path) -> None:
    """Remove a folder in a way that never leaves half of it under its name."""
    if folder.exists():
        going = folder.with_name(f"{PREFIX}{folder.name}")
        shutil.rmtree(going, ignore_errors=True)
        folder.rename(going)
        shutil.rmtree(going, ignore_errors=True)
