from __future__ import annotations

import msgspec
import pytest

from residue.installation.room import Room
from residue.loudness.caps.caps import CapEntry
from residue.output.in_step_settings import InStep
from residue.problems import Severity
from residue.runtime.offline.in_step_findings import in_step_findings
from residue.runtime.system.discipline import Discipline
from tests.runtime.stubs import OUTPUTS

ROOM = Room(
    place="North hall",
    device="silent",
    output=OUTPUTS,
    cap=[CapEntry(quantity="LAeq", window_s=60, limit_dbfs=-20.0)],
    in_step=InStep(),
)


@pytest.mark.parametrize(("device", "warned"), [("pulse", True), ("Default", True), ("USB Pulse Card", False)])
def test_a_sound_server_in_between_is_warned_of(device: str, *, warned: bool) -> None:
    clock = Discipline(disciplined=True, estimated_ms=0.05, most_ms=31.0)
    found = list(in_step_findings(msgspec.structs.replace(ROOM, device=device), clock))
    assert any(one.where == "room.toml: device" and "sound server" in one.what for one in found) is warned


def test_a_room_that_plays_alone_is_not_asked_for_its_clock() -> None:
    assert list(in_step_findings(msgspec.structs.replace(ROOM, in_step=None), None)) == []


@pytest.mark.parametrize(
    ("clock", "severity", "says"),
    [
        (Discipline(disciplined=True, estimated_ms=0.05, most_ms=31.0), Severity.NOTES, "±0.05 ms"),
        (Discipline(disciplined=True, estimated_ms=3.0, most_ms=31.0), Severity.WARNS, "off by 3.0 ms"),
        (Discipline(disciplined=False, estimated_ms=0.0, most_ms=0.0), Severity.WARNS, "not disciplined"),
        (None, Severity.WARNS, "does not say"),
    ],
)
def test_the_clock_is_told_about(clock: Discipline | None, severity: Severity, says: str) -> None:
    about_clock, about_turns = in_step_findings(ROOM, clock)
    assert about_clock.severity == severity
    assert says in about_clock.what
    assert about_turns.severity == Severity.NOTES
    assert bool(about_clock.mend) == (severity is Severity.WARNS)
