"""An installation: the folder with the three files and the performances, as one checked object."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

import msgspec

from residue.archive.prepared import Needs
from residue.checking import MISSING, check, read_toml
from residue.installation.room import Room
from residue.live.sensors import FILE_NAME as SENSORS
from residue.live.sensors import Sensors
from residue.loudness.plan.room_findings import check_room
from residue.mapping.graph import Graph, build, needed_ports, needs_of
from residue.mapping.node import Node
from residue.mapping.nodes import catalogue, unknown_kind
from residue.mapping.piece import Piece
from residue.problems import Finding, ProblemError, Severity, nearest, stopping, stops
from residue.schedule.beside import CALENDAR_FILE, Answers, calendar_of
from residue.schedule.calendar import Calendar
from residue.schedule.expansion import expanded
from residue.schedule.hours import Hours
from residue.schedule.hours_folder import HoursFolder
from residue.schedule.tables import ALWAYS_KNOWN, EventWords

StructT = TypeVar("StructT", bound=msgspec.Struct)

PIECE, ROOM, HOURS, PERFORMANCES = "piece.toml", "room.toml", "hours.toml", "performances"
FILES = (PIECE, ROOM, HOURS)
"""The files that the three people write."""
HOURS_FILES = (HOURS, CALENDAR_FILE)
"""The files in which the curator says the hours; the second may be missing."""
_WITHOUT_FORM = {"title", "outputs", "node"}
"""What the wiring of a piece is checked by."""


@dataclass(frozen=True)
class Installation:
    """The contents of an installation's folder, read and checked.

    places: the place from which each file was read: the folder itself, that of the files in force, or the curator's.
    answers: the hours from hours.toml and the calendar file beside it. performances: the archived performances by the
    names of their folders; the bags have not been opened. findings: points that a person should check, although they
    stop nothing.
    """

    folder: Path
    places: Mapping[str, Path]
    piece: Piece
    graph: Graph
    room: Room
    hours: Hours
    answers: Answers
    performances: Mapping[str, Path]
    findings: tuple[Finding, ...] = ()

    @property
    def home_of_hours(self) -> Path:
        """The folder in which the curator writes."""
        return home_of_hours(self.folder, self.room)

    @property
    def calendar(self) -> Calendar:
        """The open times."""
        return self.answers.calendar

    @property
    def played(self) -> list[str]:
        """Every performance in the hours, once: those of the programme and of private views."""
        return _played(self.hours, self.answers)


def load(folder: Path, in_force: Path | None = None, *, taking: Collection[str] = FILES) -> Installation:
    """Read and check an installation.

    in_force: a folder from which the files in `taking` are read instead; the calendar file goes with hours.toml.

    Raises ProblemError with every fault of every file.
    """
    check_folder(folder)
    places = {name: in_force if in_force is not None and name in taking else folder for name in FILES}
    graph, findings = read_piece(places[PIECE] / PIECE)
    room, found = read_room(places[ROOM] / ROOM)
    findings += found
    performances = find_performances(folder)
    if places[HOURS] == folder:
        places[HOURS] = home_of_hours(folder, room)
    hours, answers, found = read_hours(places[HOURS], performances)
    findings += _for_the_shared_folder(found, folder, places[HOURS])
    if room:
        findings += [*check_room_for(graph, room), *(mixed(folder, room.hours_folder) if room.hours_folder else ())]
    stopped = stops(findings)
    if graph is None or room is None or hours is None or answers is None or stopped:
        raise ProblemError(findings)
    return Installation(folder, places, graph.piece, graph, room, hours, answers, performances, tuple(findings))


def _played(hours: Hours, answers: Answers) -> list[str]:
    private = (name for terms in answers.terms for name in terms.performances)
    return list(dict.fromkeys([*hours.programme.names, *private]))


def home_of_hours(folder: Path, room: Room | None) -> Path:
    """The folder of the curator's files: the one that room.toml names, or else the installation's."""
    return folder if room is None or room.hours_folder is None else Path(room.hours_folder.path)


def check_folder(folder: Path) -> None:
    """Raises ProblemError where the folder of an installation does not exist."""
    if not folder.is_dir():
        what = "There is no such folder." if not folder.exists() else "This is not a folder."
        raise stopping(str(folder), what, f"Name the folder that holds {PIECE}, {ROOM} and {HOURS}.")


def check_room_for(graph: Graph | None, room: Room) -> list[Finding]:
    """Finds faults of a room: in itself, and missing outputs of the piece."""
    unknown = room.levels_at_the_ear == "unknown"
    findings = check_room(room.cap, room.output, room.measurement, ears_unknown=unknown)
    return findings + ([*_missing_outputs(graph, room), *_unknown_lamps(graph, room)] if graph else [])


def find_performances(folder: Path) -> Mapping[str, Path]:
    """Every folder in performances/, by its name; names that begin with a dot are work in progress."""
    within = folder / PERFORMANCES
    if not within.is_dir():
        return {}
    return {path.name: path for path in sorted(within.iterdir()) if path.is_dir() and not path.name.startswith(".")}


def read_piece(path: Path, *, draft: bool = False) -> tuple[Graph | None, list[Finding]]:
    """The graph of a piece, or None and all its faults.

    draft: the piece is still being written: an output that nothing feeds, and a node without an input, are warnings.
    """
    raw, findings = read_toml(path)
    if findings:
        return None, findings
    piece, findings = check(raw, Piece, path.name)
    # The nodes are checked in spite of a fault of the sections.
    wired = piece or check({key: raw[key] for key in raw if key in _WITHOUT_FORM}, Piece, path.name)[0]
    if wired is None:
        return None, findings
    if draft:
        wired, found = _without_unwired(wired, path.name)
        findings += found
    nodes, found = _read_nodes(wired.node, path.name)
    findings += found
    graph, found = build(wired, nodes, path.name, unfed=Severity.WARNS if draft else Severity.STOPS)
    if piece is None:
        return None, findings + [finding for finding in found if finding.severity is Severity.STOPS]
    return graph, findings + found


def _without_unwired(piece: Piece, file: str) -> tuple[Piece, list[Finding]]:
    """The piece without those nodes that lack an input, and a warning for each."""
    kinds = catalogue()
    wired: dict[str, dict[str, Any]] = {}
    findings = []
    for name, table in piece.node.items():
        kind = kinds.get(str(table.get("kind")))
        missing = next((port for port in needed_ports(kind) if port not in table), None) if kind else None
        if missing is None:
            wired[name] = table
            continue
        what, mend = f"This node has no {missing}, so it is left out.", "Name the node that it listens to."
        findings.append(Finding(Severity.WARNS, f"{file}: node.{name}.{missing}", what, mend))
    return msgspec.structs.replace(piece, node=wired), findings


def graph_of(folder: Path) -> Graph:
    """The graph of the piece in a folder, without a check of room and hours. Raises ProblemError."""
    graph, findings = read_piece(folder / PIECE)
    if graph is None:
        raise ProblemError(findings)
    return graph


def read_room(path: Path) -> tuple[Room | None, list[Finding]]:
    """Reads room.toml alone; None, with every fault, where it is wrong."""
    return _read(path, Room)


def room_of(folder: Path) -> Room:
    """The room in a folder alone: the other files may be missing. Raises ProblemError."""
    room, findings = read_room(folder / ROOM)
    if room is None:
        raise ProblemError(findings)
    return room


def readable_nodes(path: Path) -> Mapping[str, Node]:
    """The nodes of a piece that can be read, whatever is wrong with the others and with the rest of the file."""
    tables = read_toml(path)[0].get("node")
    named = tables if isinstance(tables, dict) else {}
    return _read_nodes({name: table for name, table in named.items() if isinstance(table, dict)}, path.name)[0]


def _read_nodes(tables: Mapping[str, Mapping[str, Any]], file: str) -> tuple[dict[str, Node], list[Finding]]:
    nodes: dict[str, Node] = {}
    findings = []
    for name, table in tables.items():
        node, found = _read_node(table, file, f"node.{name}")
        findings += found
        if node is not None:
            nodes[name] = node
    return nodes, findings


def _read_node(table: Mapping[str, Any], file: str, where: str) -> tuple[Node | None, list[Finding]]:
    kinds = catalogue()
    parameters = dict(table)
    kind = parameters.pop("kind", None)
    if kind is None:
        mend = f'Write kind = "…" with one of: {", ".join(sorted(kinds))}.'
        return None, [Finding(Severity.STOPS, f"{file}: {where}.kind", "This key is missing.", mend)]
    if not isinstance(kind, str) or kind not in kinds:
        return None, [Finding(Severity.STOPS, f"{file}: {where}.kind", *unknown_kind(str(kind), kinds))]
    return check(parameters, kinds[kind], file, where)


def _read(path: Path, record: type[StructT]) -> tuple[StructT | None, list[Finding]]:
    raw, findings = read_toml(path)
    return (None, findings) if findings else check(raw, record, path.name)


def read_sensors(folder: Path) -> tuple[Sensors | None, list[Finding]]:
    """Reads sensors.toml; None, with every fault, where it is wrong."""
    return _read(folder / SENSORS, Sensors)


def read_hours(
    folder: Path, performances: Mapping[str, Path], absent: Severity = Severity.STOPS
) -> tuple[Hours | None, Answers | None, list[Finding]]:
    """Reads the curator's files; no answers, with every fault, where they are wrong.

    absent: how much a performance matters that is named there and does not exist.
    """
    raw, findings = read_toml(folder / HOURS)
    hours, found = (None, []) if findings else check(raw, Hours, HOURS)
    if hours is None and found:  # parts that are not checked because of a fault of the programme
        _, others = check(raw | {"programme": {"performances": [""]}}, Hours, HOURS)
        found += [finding for finding in others if finding not in found]
    findings += found
    named = list(_named(raw))
    answers = None
    try:
        if hours is not None:
            answers = calendar_of(folder, hours, performances)
        elif (folder / CALENDAR_FILE).exists():  # its faults do not depend on the zone
            words = raw.get("calendar")
            own, _ = check(words if isinstance(words, Mapping) else {}, EventWords, HOURS)
            expanded(folder / CALENDAR_FILE, ZoneInfo("UTC"), performances, own or ALWAYS_KNOWN)
    except ProblemError as error:
        findings += error.findings
    except OSError as error:
        what = f"The file cannot be read: {error.strerror}."
        findings.append(
            Finding(Severity.STOPS, CALENDAR_FILE, what, "Check the permissions of its folder, and the disk.")
        )
    if answers is not None:
        findings += answers.findings
    missing = {name: where for where, name in reversed(named) if name not in performances}
    for name, where in missing.items():
        what = f'There is no performance "{name}" in {PERFORMANCES}/.'
        mend = nearest(name, performances) if performances else "Bring one there: residue ingest, or residue record."
        findings.append(Finding(absent, where, what, mend))
    return hours, answers, findings


def _named(raw: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """The performances that hours.toml names, with the place of each, in spite of other faults."""
    programme = raw.get("programme")
    if not isinstance(programme, Mapping):
        return
    lists = {"programme.performances": programme.get("performances")}
    if isinstance(weekday := programme.get("weekday"), Mapping):
        lists |= {f"programme.weekday.{day}": names for day, names in weekday.items()}
    for key in ("private_view", "exception"):
        if isinstance(views := raw.get(key), list):
            tables = [view if isinstance(view, Mapping) else {} for view in views]
            lists |= {f"{key}[{n}].performances": view.get("performances") for n, view in enumerate(tables, start=1)}
    for where, names in lists.items():
        if isinstance(names, list):
            yield from ((f"{HOURS}: {where}", name) for name in names if isinstance(name, str))


def _for_the_shared_folder(findings: list[Finding], folder: Path, home: Path) -> list[Finding]:
    """The findings on the hours; how hours come into a folder that room.toml names, where there are none."""
    if home == folder or not any(finding.what == MISSING for finding in findings):
        return findings
    what = f"The hours are read in {home}, and there is no {HOURS}."
    if (folder / HOURS).exists():
        mend = f"Copy those of the installation there: sudo residue share {folder} --install --folder-only"
    else:
        make = "" if home.is_dir() else f"Make it: sudo residue share {folder} --install --folder-only. "
        mend = f"{make}Put a {HOURS} there, or leave [hours_folder] out and put it into {folder}."
    return [Finding(Severity.STOPS, f"{ROOM}: hours_folder.path", what, mend), *findings[1:]]


def swappable(folder: Path) -> tuple[list[str], Needs]:
    """Every performance in the hours, once, and what the piece needs of it.

    A swap concerns these alone, and a house that runs keeps what it had: so a fault of the room, or elsewhere in the
    two other files, does not matter here. Raises ProblemError where no performance can be read, with the faults.
    """
    check_folder(folder)
    graph, findings = read_piece(folder / PIECE)
    raw, found = read_toml(folder / ROOM)
    findings += found
    named = raw.get("hours_folder")
    shared = named.get("path") if isinstance(named, dict) else None
    home = Path(shared) if isinstance(shared, str) else folder
    hours, answers, found = read_hours(home, find_performances(folder))
    findings += _for_the_shared_folder(found, folder, home)
    if hours is not None and answers is not None:
        names = _played(hours, answers)
    else:
        names = list(dict.fromkeys(name for _, name in _named(read_toml(home / HOURS)[0])))
    if not names:
        raise ProblemError(findings)
    return names, graph.needs if graph is not None else needs_of(readable_nodes(folder / PIECE).values())


def mixed(folder: Path, hours: HoursFolder) -> Iterator[Finding]:
    """A fault where the curator's folder would bring the files of others into the curator's reach."""
    home, here = Path(hours.path).resolve(), folder.resolve()
    if home.is_relative_to(here) or here.is_relative_to(home):
        what = f"{home} and the installation are one folder, or one within the other: who shares it could raise caps."
        yield Finding(Severity.STOPS, f"{ROOM}: hours_folder.path", what, "Write another, such as /srv/residue-hours.")


def _unknown_lamps(graph: Graph, room: Room) -> Iterator[Finding]:
    """A fault for every lamp of the room that the piece does not have."""
    for name in room.light.lamp if room.light is not None else ():
        if name not in graph.lamps:
            what = f'The piece has no node of kind lamp that is called "{name}".'
            yield Finding(Severity.STOPS, f"{ROOM}: light.lamp.{name}", what, nearest(name, graph.lamps))


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
