"""The folders of performances during a swap, and the moves between them.

Everything is in the installation's folder performances/, and every step is one rename within it:

    NAME             what plays
    NAME.at-rest     dropped there by a person: what will play; so with .now and .at-opening
    .NAME.waiting    what will play, copied there and verified; .NAME.swap says when
    .NAME.before     what played before
    .NAME.leaving    only while it is exchanged with the one before

Renames within one folder need the right to change that folder, and none to the bags.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from residue.archive.beside import PREFIX, onto_disk, telling


def waiting_path(performances: Path, name: str) -> Path:
    """Where a copy waits for its moment."""
    return performances / f".{name}.waiting"


def before_path(performances: Path, name: str) -> Path:
    """The path of the earlier version."""
    return performances / f".{name}.before"


def leaving_path(performances: Path, name: str) -> Path:
    """The path of the version that is about to become the earlier one."""
    return performances / f".{name}.leaving"


def request_path(performances: Path, name: str) -> Path:
    """The file that says when what waits is to be taken."""
    return performances / f".{name}.swap"


def named(performances: Path, kind: str) -> list[str]:
    """The performances that have something waiting, before or leaving."""
    found = (path.name[1:].removesuffix(f".{kind}") for path in performances.glob(f".*.{kind}") if path.is_dir())
    return sorted(found)


@contextmanager
def alone(performances: Path) -> Iterator[None]:
    """Locks performances/ against other changes. Raises ProblemError where the disk refuses."""
    with telling(performances):
        performances.mkdir(exist_ok=True)
        handle = os.open(performances, os.O_RDONLY | os.O_DIRECTORY)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX)
            yield
        finally:
            os.close(handle)


def move(source: Path, target: Path) -> None:
    """One rename within a folder, on the disk when it returns."""
    source.rename(target)
    onto_disk(target.parent)


def aside(folder: Path) -> Path | None:
    """Moves an unwanted folder aside, so that no half of it remains under its name."""
    if not folder.exists():
        return None
    going = Path(tempfile.mkdtemp(prefix=PREFIX, dir=folder.parent))
    move(folder, going)
    return going


def remove(half: Path | None) -> None:
    """Remove what nobody wants; what cannot be removed is left for the next time."""
    if half is not None and half.is_dir():
        shutil.rmtree(half, ignore_errors=True)
    elif half is not None:
        half.unlink(missing_ok=True)
