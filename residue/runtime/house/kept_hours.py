"""The hours in force, kept where no person edits them: a start goes by them where the files have been broken since."""

from __future__ import annotations

import hashlib
import shutil
from dataclasses import replace
from pathlib import Path

from residue.installation.load import HOURS, Installation, load
from residue.problems import ProblemError
from residue.runtime.system.files import replace_file
from residue.schedule.beside import CALENDAR_FILE
from residue.schedule.expansion import FILE_NAME

_LINK = "hours-in-force"
"""In the state folder, a link to the folder that holds them; so that both files of a pair change in one step."""


def load_or_kept(folder: Path, state: Path) -> Installation:
    """An installation by its own hours, or where those are broken, by the ones that were in force before.

    Raises ProblemError with what is wrong in the folder, where no hours are kept or something else is wrong as well.
    """
    try:
        return kept(load(folder), state)
    except ProblemError as error:
        try:
            return load(folder, state / _LINK)
        except ProblemError:
            raise error from None


def kept(installation: Installation, state: Path) -> Installation:
    """Keep the hours of an installation; gives it with the place where they are read from now on.

    Where the disk takes nothing, they go on being read where they were.
    """
    try:
        return replace(installation, hours_folder=_keep(installation, state))
    except OSError:
        return installation


def differ(installation: Installation) -> bool:
    """Whether the files in the folder are others than the hours in force, or cannot be read."""
    try:
        return _contents(installation.folder) != _contents(installation.hours_folder)
    except OSError:
        return True


def _keep(installation: Installation, state: Path) -> Path:
    contents = _contents(installation.folder)
    digest = hashlib.sha256(repr(sorted(contents.items())).encode()).hexdigest()
    place, link = state / f"{_LINK}.{digest[:16]}", state / _LINK
    for name, content in contents.items():
        replace_file(place / name, content)
    events = installation.answers.events
    if events is not None and events.record is not None:
        replace_file(place / FILE_NAME, events.record)
    fresh = state / f"{_LINK}.new"
    fresh.unlink(missing_ok=True)
    fresh.symlink_to(place.name)
    fresh.replace(link)
    for other in state.glob(f"{_LINK}.*"):
        if other != place:
            shutil.rmtree(other, ignore_errors=True)
    return link


def _contents(folder: Path) -> dict[str, bytes]:
    return {name: (folder / name).read_bytes() for name in (HOURS, CALENDAR_FILE) if (folder / name).exists()}
