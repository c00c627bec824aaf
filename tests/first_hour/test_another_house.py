"""The first hour of another house's technician: from a package to a yes, by what only people there can know."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.first_hour.person import Person
from tests.runtime import kitchen
from tests.runtime.running import free_port

KNOWN_TO_A_PERSON = {"place", "device", "device_channel", "cap", "time_zone"}


@pytest.fixture
def technician(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Person:
    """With a package on a stick, and nothing else."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    stick = tmp_path / "stick"
    stick.mkdir()
    artist = kitchen.build(stick, 47_399, duration_s=4.0)
    person = Person(tmp_path)
    person.types(f"residue pack {artist} --out stick/dough.zip")
    return person


def test_a_package_becomes_a_house_by_what_only_a_person_there_can_know(technician: Person) -> None:
    shown = technician.types("residue unpack stick/dough.zip --into hall")
    assert "Vibration: it can be bad for people with implants" in shown
    check, verify = (line for line in shown.splitlines() if line.startswith("residue "))
    assert "The same to the bit" in technician.types(verify)
    stopped = [line for line in technician.types(check, status=1).splitlines() if line.startswith("stops")]
    asked = [found[1] for line in stopped if (found := re.search(r"\.toml: (?:\S+\.)?(\w+): ", line))]
    assert len(asked) == len(stopped)
    assert set(asked) == KNOWN_TO_A_PERSON, "nothing else is asked for"

    technician.writes(
        "hall/room.toml",
        ('# place = "Kitchen"', 'place = "Cellar"'),
        ('# device = "silent"', 'device = "silent"\nlevels_at_the_ear = "unknown"'),
        ("# device_channel = 1", "device_channel = 5"),
        ("# device_channel = 2", "device_channel = 6"),
        ('# [[cap]]\n# quantity = "LAeq"', '[[cap]]\nquantity = "LCeq"'),
        ("# window_s = 60.0", "window_s = 300"),
        ("# limit_dbfs = -20.0", f"limit_dbfs = -26.0\n\n[control]\nport = {free_port()}"),
    )
    technician.writes(
        "hall/hours.toml",
        ('# time_zone = "Europe/Berlin"', 'time_zone = "Europe/Lisbon"'),
        ("# [weekly] ", "[weekly] "),
        ('# mon = ["10:00-18:00"]', 'mon = ["00:00-24:00"]'),
    )
    assert "It can open." in technician.types(check)
    assert "The same to the bit" in technician.types(verify), "whatever the room"
    technician.types("residue run hall --for-s 1")
