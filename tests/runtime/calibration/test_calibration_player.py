"""What the player of a calibration does while the level log cannot be written."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from residue.loudness.calibration.calibration_signals import Stimulus, pink_noise
from residue.loudness.caps.caps import Cap, CapEntry, expand
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.history import LogLag
from residue.loudness.stage.readings import Tally
from residue.output.returning import ReturningSink
from residue.runtime.calibration.calibration_player import CalibrationPlayer
from tests.runtime.technician import Recorder

LIMIT_DBFS = -30.0
OUTPUTS = {"left": Output(device_channel=1)}


@dataclass
class Step:
    """Noise a decibel below the cap."""

    played_dbfs: float = LIMIT_DBFS - 1.0
    room = OUTPUTS
    caps: tuple[Cap, ...] = expand([CapEntry(quantity="LZeq", window_s=1.0, limit_dbfs=LIMIT_DBFS)])

    @property
    def playing(self) -> dict[str, tuple[Stimulus, float]]:
        return {"left": (pink_noise("speaker"), self.played_dbfs)}


class Bench:
    """A player whose log is told on the disk as long as `writes`."""

    def __init__(self) -> None:
        self.recorder, self.writes, self.told_s, self.asked_s = Recorder(), True, 0, 0.0
        self.player = CalibrationPlayer(ReturningSink(lambda: self.recorder), OUTPUTS, self._sent, self._lags)

    def _sent(self, tally: Tally) -> None:
        self.told_s += tally.duration_s > 0.0

    def _lags(self, frames: int) -> LogLag:
        self.asked_s = frames / 48_000
        return LogLag.NONE if self.writes else LogLag.ROWS

    def play(self, seconds: int) -> float:
        """The loudest second of these, in dBFS."""
        for _ in range(10 * seconds):
            self.player.write_hop()
        power = np.concatenate(self.recorder.blocks[-10 * seconds :], axis=1)[0] ** 2
        running = np.cumsum(np.concatenate(([0.0], power)))
        return 10 * float(np.log10(np.max(running[48_000:] - running[:-48_000]) / 48_000))


def test_a_step_stays_3_db_below_its_caps_while_the_log_lags_and_the_technician_is_told() -> None:
    bench = Bench()
    bench.player.play(Step())
    assert bench.play(3) > LIMIT_DBFS - 2.0
    bench.writes = False
    bench.play(1)
    assert bench.play(3) < LIMIT_DBFS - 3.01
    assert "The level log cannot be written" in str(bench.player.trouble())


def test_a_step_that_is_quiet_enough_plays_on_while_the_log_lags() -> None:
    bench = Bench()
    bench.writes = False
    bench.player.play(Step(played_dbfs=LIMIT_DBFS - 12.0))
    assert bench.play(5) == pytest.approx(LIMIT_DBFS - 12.0, abs=1.0)
    assert bench.player.trouble() is None


def test_the_log_is_asked_for_as_many_frames_as_its_rows_can_tell() -> None:
    """A row tells of a second, also where a step ended within it: else later steps would not be seen to lag."""
    bench = Bench()
    for _ in range(4):
        bench.player.play(Step())
        for _ in range(7):
            bench.player.write_hop()
            assert bench.told_s <= bench.asked_s < bench.told_s + 0.95
        bench.player.hush()
        while not bench.player.silent:
            bench.player.write_hop()
    assert bench.told_s > 4
