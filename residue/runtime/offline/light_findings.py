"""Compares [light] of room.toml with the piece and with this machine."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.util import find_spec

from residue.archive.ingest.extras import install_command
from residue.installation.load import ROOM, Installation
from residue.light.e131 import MODULE
from residue.problems import Finding, Severity


def light_findings(installation: Installation) -> Iterator[Finding]:
    """Finds lamps of the piece that the room does not have, and a library that is missing."""
    light, lamps = installation.room.light, installation.graph.lamps
    missing = [name for name in lamps if light is None or name not in light.lamp]
    if missing:
        what = f"The piece has lamps that this room does not have: {', '.join(missing)}."
        mend = (
            f"Write a table [light.lamp.{missing[0]}] with universe and addresses, or leave them out: it plays without."
        )
        yield Finding(Severity.WARNS, f"{ROOM}: light", what, mend)
    if light is not None and find_spec(MODULE) is None:
        what = "Lamps need a library that is not installed here."
        yield Finding(Severity.WARNS, f"{ROOM}: light", what, f"Install it with: sudo {install_command(MODULE)}")
