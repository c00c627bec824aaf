"""Packs an installation into one sealed file for another house."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from importlib.metadata import entry_points
from pathlib import Path

from residue.archive.bag import open_bag
from residue.archive.fixity import verify
from residue.archive.one_file import Content, write_in_one_file
from residue.archive.permission import check_permission
from residue.archive.tree import files_below
from residue.installation.load import HOURS, PERFORMANCES, PIECE, ROOM, Installation
from residue.live.sensors import FILE_NAME as SENSORS
from residue.loudness.caps.cautions import cautions
from residue.mapping.nodes import ENTRY_POINTS, KINDS
from residue.problems import Finding, ProblemError, Severity
from residue.progress import Progress, silent
from residue.runtime.journal.reading import LogReader
from residue.runtime.offline.fingerprint import fingerprint_text, versions
from residue.runtime.offline.verification import Rendered, blocks_of, fingerprint
from residue.runtime.packing.package import (
    BEFORE,
    CAUTIONS_FILE,
    FACTS,
    FINGERPRINTS,
    FORMAT,
    INSTALLATION,
    SEASON,
    PackageFacts,
    facts_text,
)
from residue.runtime.packing.without_secrets import (
    hours_to_hand_on,
    others_left_out,
    outside_files,
    room_to_hand_on,
)
from residue.runtime.planning.preparation import open_performance
from residue.runtime.report.day_line import day_line
from residue.runtime.report.days import days, zone_of
from residue.runtime.report.house import house_of
from residue.runtime.report.tables import tables
from residue.runtime.report.writing import unreadable_log

_SEASON_TABLES = ("days.csv", "caps.csv", "planned.csv")
"""Those of the report's tables in which no person is named."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedSeason:
    """Days of the level log that are reported in the package. in_force: the folder of the files in force, if any."""

    log: Path
    in_force: Path | None
    first: date
    last: date


def pack(
    installation: Installation,
    out: Path,
    cache: Path,
    now: datetime,
    *,
    season: PackedSeason | None = None,
    progress: Progress = silent,
) -> tuple[PackageFacts, list[Finding]]:
    """Writes the package; returns what is in it, and what a person should look at. Raises ProblemError.

    cache: where channels are prepared for the fingerprints.
    """
    findings = [*_checked(installation, now.date(), progress)]
    room, no_room = room_to_hand_on(installation)
    hours, no_hours = hours_to_hand_on(installation)
    installed = _installed(installation)
    payload: dict[str, Content] = {f"{INSTALLATION}/{name}": path for name, path in installed.items()}
    payload |= {f"{BEFORE}/{ROOM}": room.encode(), f"{BEFORE}/{HOURS}": hours.encode()}
    payload[CAUTIONS_FILE] = _cautions(installation).encode()
    if season is not None:
        payload |= {f"{SEASON}/{name}": text.encode() for name, text in _reported(installation, season, now).items()}
    facts = PackageFacts(
        format=FORMAT,
        piece=installation.piece.title,
        packed=now.date(),
        performances=installation.played,
        files=list(installation.graph.files),
        other_packages=_other_packages(installation),
        left_out=[*no_room, *no_hours, *others_left_out(installation, installed)],
        versions=versions(),
    )
    payload[FACTS] = facts_text(facts).encode()
    for name in installation.played:
        payload[f"{FINGERPRINTS}/{name}.toml"] = _fingerprint(installation, name, cache, progress).encode()
    info = {"External-Description": f"{facts.piece}, an installation for residue"}
    write_in_one_file(out, _folder_name(out), payload, info, now.date(), progress)
    return facts, findings


def _folder_name(out: Path) -> str:
    """The folder at the top of the archive: the name of the file, in letters that every system can store."""
    return re.sub(r"[^A-Za-z0-9_-]+", "-", out.stem).strip("-") or "package"


def _checked(installation: Installation, day: date, progress: Progress) -> Iterator[Finding]:
    """Raises ProblemError for what cannot be handed on as it is; finds what a person should look at."""
    findings = []
    for file in outside_files(installation):
        what = f'The piece names "{file}", which does not lie in the folder of the installation.'
        findings.append(Finding(Severity.STOPS, PIECE, what, "Copy it into the folder, and name it there."))
    for name in installation.played:
        findings += verify(installation.performances[name], progress)
    if stopping := [finding for finding in findings if finding.severity is Severity.STOPS]:
        raise ProblemError(stopping)
    yield from findings
    for name in installation.played:
        yield from check_permission(open_bag(installation.performances[name]).performance, name, day)


def _installed(installation: Installation) -> dict[str, Path]:
    """The files that go into force in the next house as they are, by their paths in the installation's folder."""
    found = {PIECE: installation.places[PIECE] / PIECE}
    found |= {file: installation.folder / file for file in installation.graph.files}
    if (sensors := installation.folder / SENSORS).is_file():
        found[SENSORS] = sensors
    for name in installation.played:
        bag = files_below(installation.performances[name])
        found |= {f"{PERFORMANCES}/{name}/{inner}": path for inner, path in bag}
    return found


def _cautions(installation: Installation) -> str:
    graph = installation.graph
    # Whatever this room has: the next one may have more.
    told = cautions(feed=bool(graph.feeds), lamps=bool(graph.lamps))
    return "\n\n".join(told) + "\n"


def _other_packages(installation: Installation) -> list[str]:
    """The packages of nodes that residue does not bring, each with its version."""
    own = {node.kind for node in installation.graph.nodes.values()} - KINDS.keys()
    found = (entry.dist for entry in entry_points(group=ENTRY_POINTS) if entry.name in own)
    return sorted({f"{package.name} {package.version}" for package in found if package is not None})


def _fingerprint(installation: Installation, name: str, cache: Path, progress: Progress) -> str:
    """That of the mapping itself, before plan and cap: the only sound that does not depend on the room."""
    performance, wanted = open_performance(installation, name, cache, progress), Rendered(name)
    blocks = blocks_of(installation, performance, wanted, progress=progress)
    return fingerprint_text(fingerprint(installation, performance, wanted, blocks))


def _reported(installation: Installation, season: PackedSeason, now: datetime) -> Mapping[str, str]:
    """The report of some days, without rows that name people. Raises ProblemError."""
    house, log = house_of(installation.folder, season.in_force), LogReader(season.log)
    try:
        reported = list(days(house, log, season.first, season.last, now))
        zone = zone_of(house, log)
    except (sqlite3.Error, OSError) as error:
        raise unreadable_log(season.log, error) from error
    made, lines = tables(reported, zone), "".join(f"{day_line(day)}\n" for day in reported)
    return {"days.txt": lines, **{name: made[name] for name in _SEASON_TABLES if name in made}}
