"""Calibrations written back into room.toml."""

from __future__ import annotations

import os
import tomllib
from datetime import date
from pathlib import Path

import msgspec
import pytest

from residue.archive import beside
from residue.installation.room_file import record, with_measured
from residue.loudness.outputs.calibration import Calibration, VibrationCalibration
from residue.problems import ProblemError

NEW = Calibration(played_dbfs=-33.0, read_dba=70.5, read_dbc=73.0, on=date(2026, 5, 4))
FELT = VibrationCalibration(played_dbfs=-33.0, read_aw_m_per_s2=0.12, on=date(2026, 5, 4))
ROOM = """\
# The room, for the technician.
place = "North hall"

[output.left]   # by the door
device_channel = 1    # counted from 1
calibration = { played_dbfs = -20.0, read_dba = 84.0, read_dbc = 87.5, on = 2026-03-02 }  # by Ruth
trim_db = -1.0
vibration = { played_dbfs = -20.0, read_aw_m_per_s2 = 0.1,   on = 2026-03-02 }  # to the door

# felt rather than heard
[output.floor]
device_channel = 3
transducer = "shaker"

[[cap]]
rule = "who-2022"   # agreed with the house
"""


def test_comments_stay_and_the_old_value_is_kept_behind_the_new() -> None:
    written = with_measured(ROOM, "left", {"calibration": NEW})
    assert written is not None
    changed = set(written.splitlines()) ^ set(ROOM.splitlines())
    assert changed == {
        "calibration = { played_dbfs = -20.0, read_dba = 84.0, read_dbc = 87.5, on = 2026-03-02 }  # by Ruth",
        "calibration = {played_dbfs = -33.0, read_dba = 70.5, read_dbc = 73.0, on = 2026-05-04} "
        "# by Ruth; before: {played_dbfs = -20.0, read_dba = 84.0, read_dbc = 87.5, on = 2026-03-02}",
    }


def test_of_several_calibrations_the_last_two_stay() -> None:
    once = with_measured(ROOM, "left", {"calibration": NEW}) or ""
    later = Calibration(played_dbfs=-30.0, read_dba=73.0, read_dbc=75.0, on=date(2026, 6, 1))
    twice = with_measured(once, "left", {"calibration": later}) or ""
    (line,) = [line for line in twice.splitlines() if line.startswith("calibration")]
    assert line.count("before:") == 1
    assert line.endswith("# by Ruth; before: {played_dbfs = -33.0, read_dba = 70.5, read_dbc = 73.0, on = 2026-05-04}")


def test_a_first_calibration_is_added_to_its_output() -> None:
    written = with_measured(ROOM, "floor", {"calibration": NEW, "vibration": FELT})
    assert written is not None
    floor = tomllib.loads(written)["output"]["floor"]
    assert floor["vibration"] == {"played_dbfs": -33.0, "read_aw_m_per_s2": 0.12, "on": date(2026, 5, 4)}
    assert "# felt rather than heard\n[output.floor]" in written


@pytest.mark.parametrize(
    "room",
    [
        "[output.left]\ndevice_channel = 1\n[output.left.calibration]\nread_dba = 50.0 # near the door\nread_dbc = 52.0"
        "\nplayed_dbfs = -20.0\non = 2026-03-02\n[[cap]]\nrule = 'who-2022'\n",
        "output.left.device_channel = 1\n",
        "[output.left]\ndevice_channel = 1\n[output.left.vibration]\nplayed_dbfs = -20.0\nread_aw_m_per_s2 = 0.1\n"
        "on = 2026-03-02\n",
        "output = { left = { device_channel = 1 } }\n",
    ],
    ids=["a table of its own", "dotted keys", "a table below", "inline"],
)
def test_other_layouts_are_filled_in_as_well(room: str) -> None:
    written = with_measured(room, "left", {"calibration": NEW})
    assert written is not None
    left = tomllib.loads(written)["output"]["left"]
    assert left["calibration"]["read_dba"] == 70.5
    assert ("near the door" in written) == ("near the door" in room)


def test_a_layout_that_cannot_be_filled_in_leaves_the_file_and_says_what_to_write(tmp_path: Path) -> None:
    path = tmp_path / "room.toml"
    room = "output = { left = { device_channel = 1, calibration = { read_dba = 50.0 } } }\n"
    path.write_text(room, encoding="utf-8")
    with pytest.raises(ProblemError, match=r"by hand: calibration = \{played_dbfs = -33.0, read_dba = 70.5"):
        record(path, "left", {"calibration": NEW})
    assert path.read_text(encoding="utf-8") == room


def test_a_cut_leaves_the_old_file_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "room.toml"
    path.write_text(ROOM, encoding="utf-8")

    def cut(_: Path) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(beside, "onto_disk", cut)
    with pytest.raises(KeyboardInterrupt):
        record(path, "left", {"calibration": NEW})
    assert path.read_text(encoding="utf-8") == ROOM
    assert [entry.name for entry in tmp_path.iterdir()] == ["room.toml"]


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real.toml").write_text(ROOM, encoding="utf-8")
    (tmp_path / "room.toml").symlink_to("real.toml")
    record(tmp_path / "room.toml", "left", {"calibration": NEW})
    assert (tmp_path / "room.toml").is_symlink()
    assert "70.5" in (tmp_path / "real.toml").read_text(encoding="utf-8")


def test_a_room_with_a_key_in_it_stays_a_secret_of_whom_it_belongs_to(tmp_path: Path) -> None:
    path = tmp_path / "room.toml"
    path.write_text(ROOM, encoding="utf-8")
    path.chmod(0o640)
    if os.geteuid() == 0:  # sudo residue calibrate
        os.chown(path, 61_184, 61_184)
    before = path.stat()
    record(path, "left", {"calibration": NEW})
    after = path.stat()
    assert (after.st_mode, after.st_uid, after.st_gid) == (before.st_mode, before.st_uid, before.st_gid)


def test_where_it_was_measured_is_written_and_what_was_invented_no_longer_is() -> None:
    invented = ROOM.replace("on = 2026-03-02 }  # by Ruth", "on = 2026-03-02, invented = true }  # by Ruth")
    measured = msgspec.structs.replace(NEW, device='The "hall" interface', machine="3fa9c1d2e4b7")
    written = with_measured(invented, "left", {"calibration": measured})
    assert written is not None
    assert tomllib.loads(written)["output"]["left"]["calibration"] == {
        "played_dbfs": -33.0,
        "read_dba": 70.5,
        "read_dbc": 73.0,
        "on": date(2026, 5, 4),
        "device": 'The "hall" interface',
        "machine": "3fa9c1d2e4b7",
    }


def test_a_table_of_its_own_loses_what_no_longer_holds() -> None:
    table = "[output.left]\ndevice_channel = 1\n[output.left.calibration]\nplayed_dbfs = -20.0\nread_dba = 84.0\n"
    table += "read_dbc = 87.5\non = 2026-03-02\ninvented = true\n"
    written = with_measured(table, "left", {"calibration": NEW})
    assert written is not None
    assert "invented" not in tomllib.loads(written)["output"]["left"]["calibration"]
