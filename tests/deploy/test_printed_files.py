"""Every example of a file that README and guides print is one that the program takes.

Most examples are a part of a file: they are put into the demo's, one after the other as they stand in a guide.
"""

from __future__ import annotations

import shutil
import tomllib
from collections.abc import Callable, Mapping
from copy import deepcopy
from datetime import date
from pathlib import Path
from typing import Any

import pytest
import tomlkit

from deploy.tables import ROOT
from residue.archive.ingest.describe import Description
from residue.checking import check
from residue.installation.load import FILES, graph_of, load, read_sensors
from residue.live.sensors import check_needs
from tests.deploy.guide import Block, all_blocks

DEMO = ROOT / "archives" / "night-dough"
BY_NAME = frozenset({"node", "output", "channel", "table"})
"""Tables that hold tables by names of people's own; any other table is a whole."""
DESCRIBED = """
title = "First evening"
channel.grip = { kind = "force", file = "grip.csv", signal = "grip" }
channel.arm = { kind = "mmg", file = "arms.flac" }
table."grip.csv" = { rate_hz = 50 }
"""
USED_BY_COMMANDS = frozenset(
    {"bakery-nodes/pyproject.toml", "dough/piece.toml", "loaf/performances/first-evening.describe.toml"}
)
"""test_printed_commands.py writes them down where the guide says, and runs what uses them."""

Tables = dict[str, Any]


def without_calibration(room: Tables) -> None:
    """Before a meter was read, and before any cap in dB."""
    room["cap"] = []
    for output in room["output"].values():
        output.pop("calibration", None)


def with_vibration(room: Tables) -> None:
    """After a vibration meter was read."""
    room["output"]["floor"]["vibration"] = {"played_dbfs": -20.0, "read_aw_m_per_s2": 0.4, "on": date(2026, 3, 2)}


def without_weekly(hours: Tables) -> None:
    """Where opening_hours takes its place."""
    del hours["weekly"]


BASES: Mapping[str, Callable[[Tables], None]] = {
    "without calibration": without_calibration,
    "with vibration": with_vibration,
    "without weekly": without_weekly,
}
"""By the note behind the name of the file: how the demo's file is changed first. Nothing builds on such an example."""


def merge(base: Tables, more: Tables) -> None:
    for key, value in more.items():
        if key in BY_NAME:
            base[key] = base.get(key, {}) | value
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            base[key] = [*base.get(key, []), *value]
        else:
            base[key] = value


def demo(file: str) -> Tables:
    if file == "describe.toml":
        return tomllib.loads(DESCRIBED)
    return tomllib.loads((DEMO / file).read_text(encoding="utf-8")) if (DEMO / file).exists() else {}


def examples() -> list[tuple[Block, Tables]]:
    """Each example with the file that it makes."""
    found: list[tuple[Block, Tables]] = []
    files: dict[tuple[Path, str], Tables] = {}
    for block in all_blocks("toml"):
        if block.file in USED_BY_COMMANDS:
            continue
        key = (block.document, block.file)
        files.setdefault(key, demo(block.file))
        base = deepcopy(demo(block.file) if block.note else files[key])
        if block.note:
            BASES[block.note](base)
        merge(base, tomllib.loads(block.text))
        if not block.note:
            files[key] = base
        found.append((block, base))
    return found


EXAMPLES = examples()


@pytest.mark.parametrize(("block", "tables"), EXAMPLES, ids=[block.name for block, _ in EXAMPLES])
def test_an_example_is_taken(block: Block, tables: Tables, tmp_path: Path) -> None:
    if block.file == "describe.toml":
        assert check(tables, Description, block.file)[1] == []
        return
    tmp_path /= "house"
    tmp_path.mkdir()
    for name in FILES:
        shutil.copy(DEMO / name, tmp_path)
    (tmp_path / "performances").symlink_to(DEMO / "performances")
    if block.file == "room.toml" and "levels_at_the_ear" not in tables:
        for name, output in tables["output"].items():  # what `residue calibrate` would write there
            output.setdefault("calibration", demo("room.toml")["output"][name]["calibration"])
    if "light" in tables:  # the artist's guide has the lamp
        with (tmp_path / "piece.toml").open("a", encoding="utf-8") as piece:
            piece.write('\n[node.glow]\nkind = "lamp"\ninput = "strain"\n')
    if "hours_folder" in tables:
        curator = tmp_path.with_name("curator")
        curator.mkdir()
        shutil.copy(DEMO / "hours.toml", curator)
        tables = {**tables, "hours_folder": {**tables["hours_folder"], "path": str(curator)}}
    (tmp_path / block.file).write_text(tomlkit.dumps(tables), encoding="utf-8")
    if block.file == "sensors.toml":
        sensors, findings = read_sensors(tmp_path)
        assert sensors is not None
        assert [*findings, *check_needs(sensors, graph_of(tmp_path).needs)] == []
    else:
        found = [str(finding) for finding in load(tmp_path).findings]
        assert [one for one in found if "No other node uses this one" not in one] == []  # the guide goes on elsewhere


def test_every_example_names_a_file_of_somebody() -> None:
    known = {*FILES, "sensors.toml", "describe.toml", *USED_BY_COMMANDS}
    assert {block.file for block in all_blocks("toml")} == known


def test_every_file_has_an_example_in_the_guide_of_its_owner() -> None:
    owners = {(block.document.name, block.file) for block in all_blocks("toml")}
    assert owners >= {("technician.md", "room.toml"), ("curator.md", "hours.toml"), ("artist.md", "piece.toml")}
