from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

import msgspec
import numpy as np
import pytest

from residue.installation.room import Room
from residue.live.sound_input import InputFrames
from residue.loudness.outputs.outputs import Output
from residue.output.device_list import SoundDevice
from residue.problems import ProblemError
from residue.proof.settings import Microphone, MicrophoneCalibration
from residue.runtime.offline.microphone import calibration_line, microphone_findings, microphone_of
from residue.schedule.equipment import OscEquipment
from tests.installation.test_unit_needs import room
from tests.runtime import kitchen

READ = MicrophoneCalibration(read_dbfs=-26.0, on=date(2026, 11, 2))
EAR = Microphone(device="Ear", before_opening_min=10.0, calibration=READ)
THERE = [SoundDevice(name="USB Ear: Audio", outputs=0, inputs=2, plays_48_khz=False)]


def told(microphone: Microphone, devices: Sequence[SoundDevice] = THERE, base: Room | None = None) -> list[str]:
    asked = msgspec.structs.replace(base or room(), microphone=microphone)
    return [f"{one.severity}: {one}" for one in microphone_findings(asked, lambda _rate: devices)]


def test_the_time_at_which_it_sounds_outside_the_hours_is_told() -> None:
    [noted] = told(EAR)
    before = "10 min before the first opening of a day, outside the hours"
    assert noted == f"notes: room.toml: microphone: A quiet sweep goes through each output {before}."


@pytest.mark.parametrize(
    ("changed", "devices", "said"),
    [
        ({"device": "Nose"}, THERE, 'warns: room.toml: microphone.device: There is no sound device "Nose".'),
        ({}, [], "warns: room.toml: microphone.device"),
        ({}, [*THERE, *THERE], 'stops: room.toml: microphone.device: "Ear" may mean'),
        (
            {"input": 3},
            THERE,
            'warns: room.toml: microphone.input: "Ear" has 2 inputs, and input 3 is named. Write a number from 1 to 2.',
        ),
        ({"calibration": None}, THERE, "notes: room.toml: microphone.calibration: No calibrator was read"),
    ],
    ids=["another name", "no device", "two of the name", "too few inputs", "no calibrator"],
)
def test_a_microphone_that_cannot_be_used_is_told(
    changed: dict[str, object], devices: Sequence[SoundDevice], said: str
) -> None:
    assert any(one.startswith(said) for one in told(msgspec.structs.replace(EAR, **changed), devices))


def test_too_little_time_before_the_opening_is_warned_of() -> None:
    many = msgspec.structs.replace(room(), output={str(n): Output(device_channel=n) for n in range(1, 21)})
    short = msgspec.structs.replace(EAR, before_opening_min=1.0)
    assert any("The sweeps through 20 outputs take 1.9 min." in one for one in told(short, base=many))


def test_an_amplifier_that_is_switched_on_too_late_is_noted() -> None:
    late = OscEquipment(name="amplifiers", host="192.0.2.7", port=9000, on_address="/on", off_address="/off")
    assert any("amplifiers is switched on" in one for one in told(EAR, base=room(late)))
    early = msgspec.structs.replace(late, on_before_s=900.0)
    assert not any("amplifiers" in one for one in told(EAR, base=room(early)))


class Calibrator:
    """What an input gives with a calibrator on it, or without."""

    def __init__(self, level: float) -> None:
        self._level = level

    def read(self, frames: int) -> InputFrames:
        hiss = np.random.default_rng(1).normal(0.0, 1e-4, frames)
        tone = self._level * np.sin(2.0 * np.pi * 1000.0 * np.arange(frames) / 48_000)
        return (tone + hiss)[None].astype(np.float32)

    def close(self) -> None: ...


def test_the_line_for_the_file_is_that_of_the_calibrator() -> None:
    line = calibration_line(EAR, Calibrator(0.1), 94.0, date(2026, 11, 29))
    assert line == "calibration = { read_dbfs = -23.01, level_db = 94, on = 2026-11-29 }"


def test_without_a_calibrator_there_is_no_line() -> None:
    with pytest.raises(ProblemError, match="is a tone of 1 kHz"):
        calibration_line(EAR, Calibrator(0.0), 94.0, date(2026, 11, 29))


def test_a_room_without_a_microphone_says_how_to_name_one(tmp_path: Path) -> None:
    with pytest.raises(ProblemError, match="before_opening_min"):
        microphone_of(kitchen.build(tmp_path, 47_398, duration_s=0.2))
    assert list(microphone_findings(room())) == []
