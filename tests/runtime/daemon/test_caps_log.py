"""The log gets the caps in force when they change."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import msgspec

from residue.installation.load import load
from residue.loudness.caps.caps import CapEntry
from residue.runtime.daemon.caps_log import CapsLog
from residue.runtime.journal.caps_in_force import CapsRow, CapsSaid
from residue.runtime.system.clock import SystemClock

NIGHT_DOUGH = Path(__file__).parents[3] / "archives" / "night-dough"


def test_the_caps_are_logged_once_and_again_when_they_are_others() -> None:
    rows: list[CapsRow] = []
    installation, log = load(NIGHT_DOUGH), CapsLog(rows.append, SystemClock())
    for _ in range(3):
        log.look(installation)
    assert len(rows) == 1
    said = msgspec.json.decode(rows[0].said, type=CapsSaid)
    assert {one.cap for one in said.caps} > set(installation.room.caps), "and what protects the loudspeakers"

    entries = [*installation.room.cap, CapEntry(quantity="LZeq", window_s=60.0, limit_db=110.0)]
    log.look(replace(installation, room=msgspec.structs.replace(installation.room, cap=entries)))
    assert len(rows) == 2
    assert len(msgspec.json.decode(rows[1].said, type=CapsSaid).caps) == len(said.caps) + 1
