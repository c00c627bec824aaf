"""Room and hours as another house may read them: without keys, passwords, addresses, people and comments.

What goes along is listed, not what stays out: so a key that is new in room.toml stays out until somebody decides.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import tomlkit

from residue.checking import read_toml
from residue.installation.load import HOURS, PERFORMANCES, ROOM, Installation
from residue.problems import ProblemError, storable
from residue.runtime.packing.package import is_a_file_of_a_piece
from residue.schedule.beside import CALENDAR_FILE

_OF_ROOM = ("place", "device", "levels_at_the_ear", "output", "measurement", "cap")
_OF_MEASUREMENT = ("meter_class", "calibrator_before_db", "calibrator_after_db", "margin_db", "vibration_margin_db")
_NOT_OF_HOURS = ("private_view",)
"""A private view often has the name of its guest."""
_WHY = {
    "control": "who may command the house, and with which key",
    "equipment": "addresses and passwords of equipment",
    "hours_folder": "the folder and the calendar of the curator",
    "keypad": "the keypad",
    "notice": "who is told of faults, and by which way",
    "page": "the page for a phone",
}


def room_to_hand_on(installation: Installation) -> tuple[str, list[str]]:
    """The text of the room's file, and what was left out, in words. Raises ProblemError."""
    raw = _read(installation.places[ROOM] / ROOM)
    kept = {key: raw[key] for key in _OF_ROOM if key in raw}
    kept["output"] = {name: table for name, table in raw["output"].items() if name in installation.piece.outputs}
    left_out = [f"{ROOM}: {key} ({_WHY.get(key, 'the next house has its own')})" for key in raw if key not in _OF_ROOM]
    if (measured := kept.get("measurement")) is not None:
        kept["measurement"] = {key: measured[key] for key in _OF_MEASUREMENT if key in measured}
        left_out += [f"{ROOM}: measurement.{key}" for key in measured if key not in _OF_MEASUREMENT]
    left_out += [f"{ROOM}: output.{name} (the piece does not use it)" for name in raw["output"].keys() - kept["output"]]
    return tomlkit.dumps(kept), [*left_out, f"{ROOM}: comments"]


def hours_to_hand_on(installation: Installation) -> tuple[str, list[str]]:
    """The text of the curator's file, and what was left out, in words. Raises ProblemError."""
    home = installation.home_of_hours
    raw = _read(home / HOURS)
    left_out = [f"{HOURS}: {key} (it may name people)" for key in _NOT_OF_HOURS if key in raw]
    if (home / CALENDAR_FILE).exists():
        left_out.append(f"{CALENDAR_FILE} (it may name people)")
    return tomlkit.dumps({key: raw[key] for key in raw if key not in _NOT_OF_HOURS}), [*left_out, f"{HOURS}: comments"]


def others_left_out(installation: Installation, packed: Mapping[str, object]) -> Iterator[str]:
    """What else of the installation's folder is not in the package, in words."""
    for name in installation.performances:
        if name not in installation.played:
            yield f"{PERFORMANCES}/{storable(name)} (it is not in the programme)"
    known = {PERFORMANCES, ROOM, HOURS, CALENDAR_FILE, *(name.partition("/")[0] for name in packed)}
    for path in sorted(installation.folder.iterdir()):
        if path.name not in known:
            yield f"{storable(path.name)} (the piece does not name it)"
    yield "the level log (it may name people)"


def outside_files(installation: Installation) -> list[str]:
    """The files that the piece names and that do not lie in the installation's folder."""
    folder = installation.folder.resolve()
    return [
        file
        for file in installation.graph.files
        if not is_a_file_of_a_piece(file) or not (folder / file).resolve().is_relative_to(folder)
    ]


def _read(path: Path) -> dict[str, Any]:
    raw, findings = read_toml(path)
    if findings:
        raise ProblemError(findings)
    return raw
