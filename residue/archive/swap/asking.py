"""Requests to replace one performance by another: by a copy that waits, or by the version before."""

from __future__ import annotations

import logging
import os
import shutil
from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path

from residue.archive.bag import open_bag
from residue.archive.beside import file_beside, folder_beside
from residue.archive.fixity import is_valid, verify
from residue.archive.prepared import Needs, check_needs
from residue.archive.swap.places import Request, When, beside
from residue.archive.swap.taking import withdraw
from residue.problems import Finding, ProblemError, nearest, stopping
from residue.progress import Progress, silent
from residue.records import encode_record

log = logging.getLogger(__name__)


def place_for(bag: Path, programme: Sequence[str], asked: str | None = None) -> str:
    """The performance that a bag replaces: the given one, the one of the same name, or the only one.

    Raises ProblemError.
    """
    names = list(dict.fromkeys(programme))
    if asked is not None and asked not in names:
        raise stopping("swap", f'There is no performance "{asked}" in the programme.', nearest(asked, names))
    likely = [asked] if asked is not None else [bag.name] if bag.name in names else names
    if len(likely) == 1:
        return likely[0]
    raise _unclear(f"It is not clear whose place {bag.name} takes.", names)


def place_to_go_back(performances: Path, programme: Sequence[str], asked: str | None = None) -> str:
    """The performance to replace by its version before: the given one, or the only one that has such a version.

    Raises ProblemError.
    """
    names = [name for name in dict.fromkeys(programme) if beside(performances, name, "before").is_dir()]
    if asked in names:
        return asked
    if not names:
        what = "No performance of the programme has an earlier version."
        raise stopping("swap", what, "Swap in the bag that you want.")
    if len(names) == 1 and asked is None:
        return names[0]
    raise _unclear("It is unclear which performance should go back.", names)


def place_to_withdraw(performances: Path, programme: Sequence[str], asked: str | None = None) -> str:
    """The performance whose swap is withdrawn: the given one, or the only one with a swap that waits.

    Raises ProblemError.
    """
    names = [name for name in dict.fromkeys(programme) if beside(performances, name, "swap").exists()]
    if asked in names:
        return asked
    if not names or asked is not None:
        what = "No swap waits." if asked is None else f"No swap waits for the place of {asked}."
        raise stopping("swap", what, "`residue status` lists the swaps that wait.")
    if len(names) == 1:
        return names[0]
    raise _unclear("It is unclear which swap to withdraw.", names)


def _unclear(what: str, names: Sequence[str]) -> ProblemError:
    return stopping("swap", what, f"Write --in-place-of and one of: {', '.join(names)}.")


def stage(
    bag: Path, performances: Path, name: str, when: When, needs: Needs, asked: datetime, progress: Progress = silent
) -> None:
    """Verifies a bag, copies it to its waiting place, and verifies the copy. Raises ProblemError.

    needs: the channels that the piece reads; a bag without them is refused. The present performance does not change.
    """
    _refuse_unless_valid(verify(bag, progress))
    check_needs(open_bag(bag), needs)
    withdraw(performances, name)
    with folder_beside(beside(performances, name, "waiting")) as making:
        shutil.copytree(bag, making, dirs_exist_ok=True, copy_function=shutil.copyfile)
        _refuse_unless_valid(verify(making, progress))
    _share(beside(performances, name, "waiting"), performances)
    _ask(performances, name, Request(when=when, bag=bag.name, asked=asked))


def ask_back(performances: Path, name: str, when: When, asked: datetime) -> None:
    """Requests the version before. Raises ProblemError where there is none."""
    if not beside(performances, name, "before").is_dir():
        raise stopping("swap", f"There is no earlier version of {name}.", "Swap in the bag that you want.")
    withdraw(performances, name)
    _ask(performances, name, Request(when=when, bag=f"the one before {name}", asked=asked, back=True))


def _ask(performances: Path, name: str, request: Request) -> None:
    with file_beside(beside(performances, name, "swap")) as making:
        making.write_bytes(encode_record(request))
    log.info("%s waits to take the place of %s, %s", request.bag, name, request.when)


def _refuse_unless_valid(findings: list[Finding]) -> None:
    if not is_valid(findings):
        raise ProblemError(findings)


def _share(copy: Path, performances: Path) -> None:
    """Gives a copy the group and rights of the folder: the daemon may run as another user than the person who swaps."""
    mode = performances.stat().st_mode
    for place, _, files in os.walk(copy):
        with suppress(PermissionError):  # some file systems have no such rights
            Path(place).chmod(mode & 0o777)
            for file in files:
                Path(place, file).chmod(mode & 0o666)
