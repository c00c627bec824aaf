"""The technician's first hour: a room for the artist's piece, each mistake mended by its message, up to a yes."""

from __future__ import annotations

import re
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from residue.loudness.meters.weightings import Weighting
from tests.first_hour.person import Person, running_house
from tests.reference.test_calibrate_terminal import HALL, METER_FRAMES, at_terminal
from tests.runtime import kitchen
from tests.runtime.asking import until, wait_until
from tests.runtime.running import free_port
from tests.sound_server import SoundServer, sound_server


@pytest.fixture
def technician(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Person:
    """With the artist's piece and evenings, and an empty folder beside."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    artist, person = kitchen.build(tmp_path, 47_399, duration_s=8.0), Person(tmp_path)
    person.types(f"residue new hall --piece {artist.name}")
    shutil.copytree(artist / "performances", tmp_path / "hall" / "performances", dirs_exist_ok=True)
    shutil.copy(artist / "hours.toml", tmp_path / "hall" / "hours.toml")
    return person


def test_a_room_without_calibration_and_three_mistakes_are_mended_by_their_messages(technician: Person) -> None:
    technician.writes(
        "hall/room.toml",
        ('quantity = "LZeq"', 'quantity = "LZegq"'),
        ("window_s = 60", "windows_s = 60"),
        ("[output.left]\ndevice_channel = 1", "[output.left]\ndevice_channel = 0"),
        ("[control]", f"[control]\nport = {free_port()}"),
    )
    told = technician.mends("hall", technician.types("residue check hall", status=1))
    assert len(told) == 3
    assert "It can open." in technician.types("residue check hall")
    assert "LZeq over 1 min: at most -30 dBFS" in technician.types("residue caps hall")
    technician.types("residue run hall --for-s 1")


@pytest.fixture
def server(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[SoundServer]:
    """The sound interface, and in its place for every command."""
    with sound_server(tmp_path) as running:
        for name, value in running.environment.items():
            monkeypatch.setenv(name, value)
        monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
        yield running


AUDIBLE = 10.0 ** (-60.0 / 20.0)
CAPS = """
[[cap]]
rule = "who-2020"

[[cap]]
quantity = "LCeq"
window_s = 300
limit_db = 92.0
"""


@pytest.mark.long
@pytest.mark.real_time
def test_a_room_with_a_meter_from_an_empty_folder_to_a_yes(technician: Person, server: SoundServer) -> None:
    devices = technician.types("residue devices")
    (device,) = re.findall(r'^    (device = "pulse")', devices, re.MULTILINE)[:1]
    port = free_port()
    technician.writes(
        "hall/room.toml",
        (next(re.finditer(r"device = .*", technician.reads("hall/room.toml")))[0], device.replace("pulse", "plse")),
        ("[output.left]\ndevice_channel = 1", "[output.left]\ndevice_channel = 0"),
        ("[control]", f"{CAPS}\n[control]\nport = {port}"),
    )
    told = technician.mends("hall", technician.types("residue check hall", status=1))
    assert len(told) == 3, "the device, an output, and a rule"
    calibrated(technician, server)
    technician.mends_note("hall", technician.types("residue check hall"), about="levels_at_the_ear")
    assert "levels_at_the_ear" not in technician.reads("hall/room.toml")
    assert "It can open." in technician.types("residue check hall")
    assert "* who-2022" in technician.types("residue caps hall")
    with running_house("hall", "--state", "hall/state"), server.recording() as path:
        until(port, lambda told: told["house"] == "playing")
        assert "playing" in technician.types("residue status hall")
        technician.types("residue hold hall --for-s 600")
        until(port, lambda told: told["house"] == "held")
        assert "The house is held" in technician.types("residue ready hall", status=1)
        technician.types("residue release hall")
        until(port, lambda told: told["house"] == "playing")
        technician.types("residue trim -6 hall")
        assert "residue trim 0" in technician.types("residue ready hall", status=1)
        technician.types("residue trim 0 hall")
        until(port, lambda told: told["health"]["planning"] is None)
        answer = technician.types("residue ready hall", status=None)
        reasons = [line for line in answer.splitlines() if line.startswith("- ")]
        # A busy machine may play a block too late, which is a reason for no.
        assert [reason for reason in reasons if "blocks" not in reason] == []
        assert answer.startswith("No. " if reasons else "Yes. ")
        wait_until(lambda: np.abs(server.captured(path)).max() > AUDIBLE)
        heard = server.captured(path)
    assert HALL.level_db(heard.astype(np.float64), Weighting.C) < 92.0, "and kept its cap"


def calibrated(technician: Person, server: SoundServer) -> None:
    """Both outputs, with a meter that hears what comes out; Enter leaves out what Enter may leave out."""
    with server.recording() as path, at_terminal(technician.folder / "hall", server) as terminal:
        while (question := terminal.asked()) is not None:
            if "Nothing plays" in question:
                terminal.type("40 50\n")
            elif re.search(r"louder: $|keeps it|leaves it out", question):
                terminal.type("\n")
            else:
                time.sleep(3.0)  # a person lets the meter settle
                a, c = HALL.read(server.captured(path)[:, -METER_FRAMES:].astype(np.float64))
                terminal.type(f"{a} {c}\n")
        assert terminal.ended() == 0, terminal.seen
