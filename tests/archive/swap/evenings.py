"""An installation's performances/ with one bag, and another bag on a stick."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from residue.archive.bag import seal
from residue.archive.swap.asking import stage
from residue.archive.swap.places import When
from residue.mapping.signals import Kind
from tests.archive.bags import SEALED_ON, recorded_folder, write_flac

NEEDS = {"forearm_left": {Kind.FAST}, "beats": {Kind.EVENTS}}
NAME = "first-batch"
ASKED = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def evenings(folder: Path) -> tuple[Path, Path]:
    """performances/ and the bag on the stick."""
    performances = folder / "installation" / "performances"
    performances.mkdir(parents=True)
    recorded = recorded_folder(folder / "recorded")
    write_flac(recorded / "arms.flac", seconds=0.1)
    seal(recorded, performances / NAME, {}, SEALED_ON)
    (recorded / "beats.txt").write_text("900\n910\n", encoding="utf-8")
    stick = folder / "stick" / "third-batch"
    seal(recorded, stick, {}, SEALED_ON)
    return performances, stick


def staged(performances: Path, bag: Path, when: When = When.AT_REST) -> None:
    stage(bag, performances, NAME, when, NEEDS, ASKED)


def spoil(bag: Path) -> None:
    """Change one bit, as a dying disk does: neither size nor time of change tell of it."""
    file = bag / "data" / "arms.flac"
    content = bytearray(file.read_bytes())
    content[-1] ^= 1
    file.write_bytes(content)
