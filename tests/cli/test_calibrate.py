from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from residue.cli import main
from residue.live.sound_input import InputFrames
from tests.runtime import kitchen

MICROPHONE = '\n[microphone]\ndevice = "Ear"\ninput = 2\nbefore_opening_min = 10\n'


class Calibrator:
    """An input with a sound calibrator on its second channel."""

    closed = False

    def read(self, frames: int) -> InputFrames:
        tone = 0.05 * np.sin(2.0 * np.pi * 1000.0 * np.arange(frames) / 48_000)
        return np.vstack((np.zeros(frames), tone)).astype(np.float32)

    def close(self) -> None:
        Calibrator.closed = True


class Inputs:
    """In the place of the module that opens sound devices."""

    @staticmethod
    def open_input(name: str, channels: int, where: str, **_: float) -> Calibrator:
        assert (name, channels, where) == ("Ear", 2, "room.toml: microphone.device")
        return Calibrator()


def test_the_microphone_is_read_with_a_calibrator_and_the_line_is_printed(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    installation = kitchen.build(tmp_path, 47_397, duration_s=0.2)
    room = installation / "room.toml"
    room.write_text(room.read_text(encoding="utf-8") + MICROPHONE, encoding="utf-8")
    before = room.read_text(encoding="utf-8")
    monkeypatch.setitem(sys.modules, "residue.live.device_input", Inputs)
    asked = ["calibrate", str(installation), "--microphone", "--calibrator-db", "114"]
    told = CliRunner().invoke(main, asked)
    assert told.exit_code == 0, told.output
    assert "calibration = { read_dbfs = -29.03, level_db = 114, on = " in told.output
    assert Calibrator.closed
    assert room.read_text(encoding="utf-8") == before, "a person writes it"
