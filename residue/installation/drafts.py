"""An installation that is still being made: what is not there yet is replaced by stated defaults.

The artist works before there is a room, and before anybody knows the hours. What people will be exposed to needs the
real files: `load` in residue.installation.load takes nothing for granted.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

from residue.checking import check
from residue.installation.load import (
    HOURS,
    PIECE,
    ROOM,
    Installation,
    check_folder,
    check_room_for,
    find_performances,
    home_of_hours,
    read_hours,
    read_piece,
    read_room,
)
from residue.installation.new import uncalibrated_room
from residue.installation.room import Room
from residue.mapping.graph import Graph
from residue.problems import Finding, ProblemError, Severity, stops
from residue.schedule.beside import Answers
from residue.schedule.hours import Hours, calendar
from residue.schedule.programme import Programme


def sketch(folder: Path) -> tuple[Graph, list[Finding]]:
    """The graph of a piece that is still being written, with warnings. Raises ProblemError."""
    check_folder(folder)
    graph, findings = read_piece(folder / PIECE, draft=True)
    if graph is None:
        raise ProblemError(findings)
    return graph, findings


def draft(folder: Path, performance: str, *, gallery: bool) -> Installation:
    """An installation of which only the piece has to be there.

    performance: the one that is worked on. gallery: room.toml and hours.toml count where they are there; otherwise a
    room and hours of defaults take their place, whatever stands there. Other performances may be absent. The findings
    say what was taken instead of a missing file. Raises ProblemError.
    """
    graph, findings = sketch(folder)
    hours, answers = _alone(performance)
    default = _uncalibrated(graph)
    room: Room | None = default
    if gallery and (folder / ROOM).exists():
        room, found = read_room(folder / ROOM)
        findings += found
        # Its warnings are for the technician, who meets them in `residue check`.
        findings += [one for one in check_room_for(graph, room) if one.severity is Severity.STOPS] if room else []
    elif gallery:
        kept = ", ".join(f"{cap.name} at most {cap.limit_in_words}" for cap in default.caps)
        what = f"There is none. This is for an uncalibrated room of defaults: {kept}."
        findings.append(Finding(Severity.WARNS, ROOM, what, ""))
    home = home_of_hours(folder, room)
    if gallery and (home / HOURS).exists():
        read, said, found = read_hours(home, find_performances(folder), absent=Severity.WARNS)
        findings += found
        hours, answers = read or hours, said or answers
    elif gallery:
        what = f"There is none. The plan takes {performance} alone, again and again without a rest."
        findings.append(Finding(Severity.WARNS, HOURS, what, ""))
    return _put_together(folder, graph, room, hours, answers, findings)


def stage(folder: Path) -> Installation:
    """An installation for live play: the piece and the room have to be there, and no hours. Raises ProblemError."""
    check_folder(folder)
    graph, findings = read_piece(folder / PIECE)
    room, found = read_room(folder / ROOM)
    findings += found
    findings += check_room_for(graph, room) if room else []
    if graph is None:
        raise ProblemError(findings)
    return _put_together(folder, graph, room, *_alone("live"), findings)


def _put_together(
    folder: Path, graph: Graph, room: Room | None, hours: Hours, answers: Answers, findings: list[Finding]
) -> Installation:
    if room is None or stops(findings):
        raise ProblemError(findings)
    places = dict.fromkeys((PIECE, ROOM, HOURS), folder)
    there = find_performances(folder)
    return Installation(folder, places, graph.piece, graph, room, hours, answers, there, tuple(findings))


def _alone(performance: str) -> tuple[Hours, Answers]:
    """The hours of a house that plays one performance and has no openings: a plan repeats it."""
    hours = Hours(time_zone="UTC", programme=Programme(performances=(performance,)))
    return hours, Answers(calendar(hours), None, {}, ())


def _uncalibrated(graph: Graph) -> Room:
    """The room that `residue new` writes for a piece."""
    room, findings = check(tomllib.loads(uncalibrated_room(graph)), Room, ROOM)
    if room is None:  # the name of an output may be none for a room
        raise ProblemError(findings)
    return room
