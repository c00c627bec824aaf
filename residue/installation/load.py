"""An installation: the folder with the three files and the performances, as one checked object."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from residue.checking import check, read_toml
from residue.installation.room import Room
from residue.live.sensors import FILE_NAME as SENSORS
from residue.live.sensors import Sensors
from residue.loudness.room_findings import check_room
from residue.mapping.graph import Graph, build
from residue.mapping.node import Node
from residue.mapping.nodes import catalogue
from residue.mapping.piece import Piece
from residue.problems import Finding, ProblemError, Severity, nearest
from residue.schedule.beside import calendar_of
from residue.schedule.calendar import Calendar
from residue.schedule.hours import Hours

Record = TypeVar("Record", bound=msgspec.Struct)

PIECE, ROOM, HOURS, PERFORMANCES = "piece.toml", "room.toml", "hours.toml", "performances"


@dataclass(frozen=True)
class Installation:
    """What stands in the folder of an installation.

    calendar: when the house is open, by hours.toml and the calendar file beside it.
    performances: the archived performances by the names of their folders; the bags have not been opened.
    findings: what somebody should look at although nothing stops it.
    """

    folder: Path
    piece: Piece
    graph: Graph
    room: Room
    hours: Hours
    calendar: Calendar
    performances: Mapping[str, Path]
    findings: tuple[Finding, ...] = ()


def load(folder: Path) -> Installation:
    """Read and check an installation.

    Raises ProblemError with every fault of every file.
    """
    if not folder.is_dir():
        what = "There is no such folder." if not folder.exists() else "This is not a folder."
        mend = f"Name the folder that holds {PIECE}, {ROOM} and {HOURS}."
        raise ProblemError([Finding(Severity.STOPS, str(folder), what, mend)])
    graph, findings = read_piece(folder / PIECE)
    room, found = read_room(folder / ROOM)
    findings += found
    performances = find_performances(folder)
    hours, calendar, found = read_hours(folder, performances)
    findings += found
    if room:
        unknown = room.levels_at_the_ear == "unknown"
        findings += check_room(room.cap, room.output, ears_unknown=unknown)
    if room and graph:
        findings += _missing_outputs(graph, room)
    stopped = any(finding.severity is Severity.STOPS for finding in findings)
    if graph is None or room is None or hours is None or calendar is None or stopped:
        raise ProblemError(findings)
    return Installation(folder, graph.piece, graph, room, hours, calendar, performances, tuple(findings))


def find_performances(folder: Path) -> Mapping[str, Path]:
    """Every folder in performances/, by its name; names that begin with a dot are work in progress."""
    within = folder / PERFORMANCES
    if not within.is_dir():
        return {}
    return {path.name: path for path in sorted(within.iterdir()) if path.is_dir() and not path.name.startswith(".")}


def read_piece(path: Path) -> tuple[Graph | None, list[Finding]]:
    """The graph of a piece, or None and everything that is wrong with it."""
    piece, findings = _read(path, Piece)
    if piece is None:
        return None, findings
    nodes: dict[str, Node] = {}
    for name, table in piece.node.items():
        node, found = _read_node(table, path.name, f"node.{name}")
        findings += found
        if node is not None:
            nodes[name] = node
    if len(nodes) < len(piece.node):
        return None, findings  # wires to a node that could not be read would be told as faults of their own
    graph, found = build(piece, nodes, path.name)
    return graph, findings + found


def graph_of(folder: Path) -> Graph:
    """The graph of the piece in a folder, whatever room and hours are like. Raises ProblemError."""
    graph, findings = read_piece(folder / PIECE)
    if graph is None:
        raise ProblemError(findings)
    return graph


def read_room(path: Path) -> tuple[Room | None, list[Finding]]:
    """What the technician wrote, by itself, or None and everything that is wrong with it."""
    return _read(path, Room)


def _read_node(table: Mapping[str, Any], file: str, where: str) -> tuple[Node | None, list[Finding]]:
    kinds = catalogue()
    parameters = dict(table)
    kind = parameters.pop("kind", None)
    if kind is None:
        mend = f'Write kind = "…" with one of: {", ".join(sorted(kinds))}.'
        return None, [Finding(Severity.STOPS, f"{file}: {where}.kind", "This key is missing.", mend)]
    if kind not in kinds:
        what = f'There is no kind of node called "{kind}".'
        return None, [Finding(Severity.STOPS, f"{file}: {where}.kind", what, nearest(str(kind), kinds))]
    return check(parameters, kinds[kind], file, where)


def _read(path: Path, record: type[Record]) -> tuple[Record | None, list[Finding]]:
    raw, findings = read_toml(path)
    return (None, findings) if findings else check(raw, record, path.name)


def read_sensors(folder: Path) -> tuple[Sensors | None, list[Finding]]:
    """Where the channels come from when the piece is played live, or None and everything that is wrong with it."""
    return _read(folder / SENSORS, Sensors)


def read_hours(folder: Path, performances: Mapping[str, Path]) -> tuple[Hours | None, Calendar | None, list[Finding]]:
    """What the curator wrote, and everything that is wrong with it; the calendar is None where something is."""
    hours, findings = _read(folder / HOURS, Hours)
    if hours is None:
        return None, None, findings
    findings += _missing_performances(hours, performances)
    try:
        calendar, found = calendar_of(folder, hours)
    except ProblemError as error:
        return hours, None, [*findings, *error.findings]
    return hours, calendar, [*findings, *found]


def _missing_outputs(graph: Graph, room: Room) -> list[Finding]:
    return [
        Finding(
            Severity.STOPS,
            f"{ROOM}: output.{output}",
            f'The piece sounds through an output "{output}", which this room does not have.',
            nearest(output, room.output) + f" Or write a table [output.{output}].",
        )
        for output in graph.piece.outputs
        if output not in room.output
    ]


def _missing_performances(hours: Hours, performances: Mapping[str, Path]) -> list[Finding]:
    return [
        Finding(
            Severity.STOPS,
            f"{HOURS}: performances",
            f'There is no performance "{name}" in {PERFORMANCES}/.',
            nearest(name, performances),
        )
        for name in hours.performances
        if name not in performances
    ]
