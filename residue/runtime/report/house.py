"""What a report has to know of the installation, from whichever of its files can be read."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from residue.installation.load import (
    FILES,
    HOURS,
    PIECE,
    ROOM,
    check_folder,
    find_performances,
    home_of_hours,
    read_hours,
    read_piece,
    read_room,
)
from residue.installation.room import Room
from residue.loudness.outputs.outputs import Output
from residue.problems import Finding, ProblemError, Severity
from residue.runtime.journal.caps_in_force import CapsSaid, caps_said
from residue.runtime.journal.in_force_digest import digest_of
from residue.schedule.calendar import Calendar

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportedHouse:
    """An installation as a report names it.

    sounding: the outputs of the piece. calendar: the present hours; None where they cannot be read. mark: the digest of
    the installation. broken: findings on its files, which stop nothing here.
    """

    title: str
    room: Room
    sounding: Sequence[str]
    calendar: Calendar | None
    mark: str
    broken: Sequence[Finding] = ()

    @property
    def outputs(self) -> Mapping[str, Output]:
        """The outputs that the piece uses."""
        return {name: self.room.output[name] for name in self.sounding if name in self.room.output}

    @property
    def caps_said(self) -> CapsSaid:
        """The present caps."""
        return caps_said(self.room.caps, self.outputs)


def house_of(folder: Path, in_force: Path | None = None) -> ReportedHouse:
    """The installation by the files in force, where there are any, else by those of its folder.

    in_force: the folder of the files in force. Raises ProblemError where no room.toml can be read: without it there are
    no caps.
    """
    check_folder(folder)
    places = [folder] if in_force is None else [in_force, folder]
    performances = find_performances(folder)

    broken: list[Finding] = []
    graph = _first(lambda place: read_piece(place / PIECE), places, broken)
    room = _first(lambda place: read_room(place / ROOM), places, broken)
    if room is None:
        raise ProblemError(broken)

    def home(place: Path) -> Path:
        return place if place == in_force else home_of_hours(folder, room)

    def hours(place: Path) -> tuple[Calendar | None, list[Finding]]:
        _, answers, findings = read_hours(home(place), performances)
        return None if answers is None else answers.calendar, findings

    calendar = _first(hours, places, broken)
    return ReportedHouse(
        title=folder.resolve().name if graph is None else graph.piece.title,
        room=room,
        sounding=tuple(room.output) if graph is None else graph.piece.outputs,
        calendar=calendar,
        mark=digest_of({**dict.fromkeys(FILES, places[0]), HOURS: home(places[0])}, performances),
        broken=broken,
    )


def _first(
    read: Callable[[Path], tuple[T | None, list[Finding]]], places: Sequence[Path], broken: list[Finding]
) -> T | None:
    """What the first place has that can be read; the findings of all that cannot are added to `broken`."""
    for place in places:
        found, findings = read(place)
        broken += [one for one in findings if one.severity is Severity.STOPS]
        if found is not None:
            return found
    return None
