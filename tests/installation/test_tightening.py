"""What of another room.toml may take force, and the words in which it differs."""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path

import msgspec
import pytest

from residue.installation.load import read_room
from residue.installation.room import Room
from residue.installation.tightening import differences, room_toml, tightened
from residue.loudness.caps.caps import CapEntry
from residue.loudness.outputs.measurement import MeasuredWith
from residue.loudness.outputs.outputs import Output

CAP = CapEntry(quantity="LZeq", window_s=60.0, limit_dbfs=-20.0)
PLAIN = Output(device_channel=1)


def room(*outputs: Output, cap: CapEntry = CAP) -> Room:
    names = dict(zip(("left", "right"), outputs, strict=False))
    return Room(place="Kitchen", device="silent", levels_at_the_ear="unknown", output=names, cap=[cap])


def power(limit_dbfs: float | None, window_s: float = 60.0) -> Output:
    return Output(device_channel=1, long_term_dbfs=limit_dbfs, long_term_s=window_s)


@pytest.mark.parametrize(
    ("kept", "wanted", "then"),
    [
        pytest.param(Output(device_channel=1, trim_db=-3.0), PLAIN, -3.0, id="a trim that was taken back"),
        pytest.param(PLAIN, Output(device_channel=1, trim_db=-3.0), -3.0, id="a lower trim"),
        pytest.param(PLAIN, Output(device_channel=2, delay_ms=3.0, trim_db=-1.0), -1.0, id="with other changes"),
    ],
)
def test_a_trim_only_becomes_lower_and_nothing_else_moves(kept: Output, wanted: Output, then: float) -> None:
    found = tightened(room(kept), room(wanted)).output["left"]
    assert found == msgspec.structs.replace(kept, trim_db=then)


@pytest.mark.parametrize(
    ("kept", "wanted", "then"),
    [
        pytest.param(power(None), power(-12.0, 30.0), power(-12.0, 30.0), id="first"),
        pytest.param(power(-12.0), power(-20.0), power(-20.0), id="lower"),
        pytest.param(power(-12.0), power(-9.0), power(-12.0), id="higher"),
        pytest.param(power(-12.0), power(None), power(-12.0), id="taken out"),
        pytest.param(power(-12.0), power(-20.0, 600.0), power(-12.0), id="over another window: told, and waits"),
    ],
)
def test_the_long_term_power_only_becomes_lower(kept: Output, wanted: Output, then: Output) -> None:
    assert tightened(room(kept), room(wanted)).output["left"] == then


def test_the_differences_are_told_shortly_and_without_secrets() -> None:
    control = msgspec.structs.replace(room(PLAIN).control, key="dough rises")
    written = msgspec.structs.replace(
        room(Output(device_channel=3, subsonic_hz=30.0, delay_ms=2.0, ceiling_dbtp=-3.0, rise_db_per_s=30.0)),
        control=control,
        place="South hall",
    )
    assert differences(room(PLAIN), room(PLAIN)) is None
    told = differences(room(PLAIN), written)
    assert told is not None
    assert "output.left.delay_ms: 2 in the file, 0 in force" in told
    assert told.endswith("; and 2 more")
    assert "dough" not in told


def test_what_is_in_force_can_be_written_as_a_room_and_read_again(tmp_path: Path) -> None:
    text = """
    place = "Kitchen"
    device = "silent"
    [output.left]
    device_channel = 1
    calibration = { played_dbfs = -20.0, read_dba = 74.0, read_dbc = 76.0, on = 2026-03-02 }
    [[cap]]
    rule = "who-2022"
    [[cap]]
    quantity = "LCeq"
    window_s = 300
    limit_db = 92.0
    [[equipment]]
    name = "lamp"
    kind = "wake-on-lan"
    mac = "02:00:5e:10:00:01"
    [control]
    key = "dough rises"
    feed = [{ host = "127.0.0.1", port = 47000 }]
    """
    (tmp_path / "room.toml").write_text(text)
    first, _ = read_room(tmp_path / "room.toml")
    assert first is not None
    (tmp_path / "room.toml").write_text(room_toml(first))
    again, findings = read_room(tmp_path / "room.toml")
    assert again == first, findings
    assert tomllib.loads(room_toml(first))["output"]["left"]["calibration"]["on"] == date(2026, 3, 2)


def test_a_larger_margin_takes_force_and_a_smaller_one_waits() -> None:
    """By the margins of the meter classes; what waits is told with both values."""
    kept = room(PLAIN)
    asked = msgspec.structs.replace(kept, measurement=MeasuredWith(meter_class=2))
    now = tightened(kept, asked)
    assert now.measurement == asked.measurement
    assert differences(now, asked) is None
    assert tightened(now, kept) == now
    less = msgspec.structs.replace(kept, measurement=MeasuredWith(meter_class=1))
    assert tightened(now, less) == now
    assert differences(now, less) == "measurement.meter_class: 1 in the file, 2 in force"
