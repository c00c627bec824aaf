"""The files in force, kept where no person edits them: an automatic start continues with these.

Only a start by a person uses new contents of piece.toml and room.toml. After a power cut, or a start by the watchdog or
the service manager, piece and room are those that were in force before, with the stricter caps and trims that took
force meanwhile. So nothing becomes louder while nobody is there.
"""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from residue.archive.beside import clear, clear_folder
from residue.installation.load import (
    FILES,
    HOURS,
    HOURS_FILES,
    PIECE,
    ROOM,
    Installation,
    home_of_hours,
    load,
    read_room,
)
from residue.installation.tightening import room_toml, tightened
from residue.problems import Finding, ProblemError, Severity
from residue.runtime.system.files import replace_file
from residue.schedule.beside import calendar_of
from residue.schedule.calendar_file import MOST_BYTES
from residue.schedule.expansion import FILE_NAME as EXPANSION
from residue.small_files import read_small, read_whole

_LINK = "in-force"
"""A link in the state folder to the folder with the files, so that all of them change in one step."""
_SECOND_LINK = "in-force-copy"
"""To the same once more: it counts where a bit of the first is flipped."""
_LINKS = (_LINK, _SECOND_LINK)
_OF = "installation.txt"
"""The file that names the folder of their installation."""
_DIGITS = 16


def load_in_force(folder: Path, state: Path, *, by_person: bool) -> Installation:
    """The installation that runs from this start on; its files are kept in the state folder.

    by_person: its files take force as they are; only broken hours are replaced by those in force before. Raises
    ProblemError with the faults of the folder where it cannot run.
    """
    before = found_in_force(folder, state)
    if before is None:
        lost = any((state / link).exists() for link in _LINKS) and not by_person
        installation, hours = _as_read(lambda: load(folder), folder)
        return kept(_told(installation, _UNKNOWN) if lost else installation, state, hours)
    if not by_person:
        resumed, hours = _as_read(lambda: _resumed(folder, before), folder, before)
        damaged = any((state / link).exists() and not _belongs(state / link, folder) for link in _LINKS)
        return kept(_told(resumed, _DAMAGED) if damaged else resumed, state, hours)
    try:
        installation, hours = _as_read(lambda: load(folder), folder)
        return kept(installation, state, hours)
    except ProblemError as error:
        try:
            return kept(load(folder, before, taking=[HOURS]), state)
        except ProblemError:
            raise error from None


def _as_read(
    read: Callable[[], Installation], folder: Path, before: Path | None = None
) -> tuple[Installation, Mapping[str, bytes] | None]:
    """An installation, and the curator's files that it was read from; None where they cannot be read.

    What is kept must be what was checked, and a person may save a file meanwhile: then it is read again.
    """
    while True:
        shared = home_of_hours(folder, read_room(folder / ROOM)[0])
        homes = [home for home in (folder, shared, before) if home is not None]
        found = {home: _readable(home) for home in homes}
        installation = read()
        if all(_readable(home) == files for home, files in found.items()):
            return installation, found.get(installation.places[HOURS])


def _readable(home: Path) -> Mapping[str, bytes] | None:
    with suppress(OSError):
        return hours_files(home)
    return None


def found_in_force(folder: Path, state: Path) -> Path | None:
    """The folder of the files in force; None where none are kept, or they are damaged, or of another installation."""
    return next((state / link for link in _LINKS if _belongs(state / link, folder)), None)


def kept(installation: Installation, state: Path, hours: Mapping[str, bytes] | None = None) -> Installation:
    """Keeps the files of an installation; gives it with the place from which they are read from now on.

    hours: the curator's files as they were checked; if not given, they are read. If the disk cannot be written, all are
    read from the former place.
    """
    try:
        place = _keep(installation, state, hours)
        # Further years of its calendar come from the copy too: a person may edit the file in the folder.
        answers = calendar_of(place, installation.hours) if installation.answers.events else installation.answers
        return replace(installation, places=dict.fromkeys(FILES, place), answers=answers)
    except (OSError, ProblemError):
        return installation


def keep_openings(installation: Installation, state: Path) -> None:
    """Keeps the further years that were worked out since, so that no later start waits for them."""
    with suppress(OSError):
        _keep(installation, state)


def hours_differ(installation: Installation) -> bool:
    """Whether the curator's files in the folder differ from those in force, or cannot be read."""
    try:
        return hours_files(installation.home_of_hours) != hours_files(installation.places[HOURS])
    except OSError:
        return True


def _resumed(folder: Path, before: Path) -> Installation:
    """The files in force before, with the stricter limits of the folder. Raises ProblemError.

    Other hours of the folder are taken as soon as the house runs: a calendar file that takes long keeps no start up.
    Where the hours in force do not fit any more: those of the folder; then the folder, with the stricter limits that
    were in force.
    """
    for taking in (FILES, (PIECE, ROOM)):
        with suppress(ProblemError):
            return _tightened(load(folder, before, taking=taking), folder)
    return _tightened(load(folder), before)


def _tightened(installation: Installation, other: Path) -> Installation:
    """The installation with the stricter limits of the room.toml in another folder, if that can be read."""
    written, _ = read_room(other / ROOM)
    return installation if written is None else replace(installation, room=tightened(installation.room, written))


def _told(installation: Installation, finding: Finding) -> Installation:
    return replace(installation, findings=(*installation.findings, finding))


_UNKNOWN = Finding(
    Severity.WARNS,
    "state folder",
    "The files that were in force before this start cannot be relied on, so the caps of room.toml are in force.",
    "Make sure that nobody has raised them.",
)


_DAMAGED = Finding(
    Severity.WARNS,
    "state folder",
    "One of the two copies of the files in force is damaged. The other one counts, and it is made again.",
    "The disk may be failing: copy what is on it.",
)


def _belongs(kept_folder: Path, folder: Path) -> bool:
    """Whether files are kept, belong to this installation, and are unchanged."""
    try:
        contents = {path.name: read_whole(path) for path in kept_folder.iterdir() if path.name != EXPANSION}
        of_this = contents[_OF].decode() == str(folder.resolve())
        return of_this and kept_folder.resolve().name == f"{kept_folder.name}.{_digest(contents)}"
    except (OSError, KeyError, ValueError):
        return False


def _keep(installation: Installation, state: Path, hours: Mapping[str, bytes] | None = None) -> Path:
    contents, events = _contents(installation, hours), installation.answers.events
    record = None if events is None or events.record is None else events.record()
    for link in _LINKS:
        if not _belongs(state / link, installation.folder) or _is_other(state / link, contents, record):
            _write(state, link, contents, record)
    return state / _LINK


def _is_other(link: Path, contents: Mapping[str, bytes], record: bytes | None) -> bool:
    try:
        return _digest(contents) not in link.resolve().name or (
            record is not None and read_whole(link / EXPANSION) != record
        )
    except OSError:
        return True


def _write(state: Path, link: str, contents: Mapping[str, bytes], record: bytes | None) -> None:
    """In a folder of their own, then the link to it."""
    place = state / f"{link}.{_digest(contents)}"
    for name, content in contents.items():
        replace_file(place / name, content)
    if record is not None:
        replace_file(place / EXPANSION, record)
    fresh = state / f"{link}.new"
    clear(fresh)
    fresh.symlink_to(place.name)
    clear_folder(state / link)
    fresh.replace(state / link)
    for other in state.glob(f"{link}.*"):
        if other != place:
            shutil.rmtree(other, ignore_errors=True)


def _contents(installation: Installation, hours: Mapping[str, bytes] | None) -> dict[str, bytes]:
    places, room = installation.places, installation.room
    written, _ = read_room(places[ROOM] / ROOM)
    return {
        _OF: str(installation.folder.resolve()).encode(),
        PIECE: read_whole(places[PIECE] / PIECE),
        ROOM: read_whole(places[ROOM] / ROOM) if written == room else room_toml(room).encode(),
        **(hours_files(places[HOURS]) if hours is None else hours),
    }


def hours_files(folder: Path) -> dict[str, bytes]:
    """The curator's files in a folder. Raises OSError."""
    return {name: read_small(folder / name, MOST_BYTES) for name in HOURS_FILES if (folder / name).exists()}


def _digest(contents: Mapping[str, bytes]) -> str:
    return hashlib.sha256(repr(sorted(contents.items())).encode()).hexdigest()[:_DIGITS]
