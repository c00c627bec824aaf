"""What a calibration is put together of."""

from __future__ import annotations

import threading
from functools import partialmethod
from pathlib import Path

import pytest

from residue.loudness.stage.history import LogLag
from residue.loudness.stage.stage import CapStage
from residue.runtime.calibration.calibration_desk import Bench
from residue.runtime.journal.log import LevelLog
from residue.runtime.system.clock import SystemClock

ROOM = """\
place = "Kitchen"
device = "silent"

[output.left]
device_channel = 1

[[cap]]
quantity = "LAeq"
window_s = 900
limit_db = 100
"""


class Listener:
    """Ends it after half a second of sound."""

    def __init__(self) -> None:
        self.spared: list[bool] = []
        self._heard = threading.Event()

    def hop(self, _stage: CapStage, *, spares: bool) -> None:
        self.spared.append(spares)
        if len(self.spared) == 5:
            self._heard.set()

    def tell(self, text: str) -> None:
        """Heeds nothing."""

    def ask(self, question: str) -> str:
        assert self._heard.wait(60.0)
        return "q"


@pytest.mark.parametrize("disk_is_full", [True, False])
def test_the_levels_of_a_calibration_heed_a_log_that_cannot_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, disk_is_full: bool
) -> None:
    (tmp_path / "room.toml").write_text(ROOM)
    listener = Listener()
    monkeypatch.setattr(CapStage, "spare", partialmethod(_spare, listener))
    if disk_is_full:
        monkeypatch.setattr(LevelLog, "write", _fails)
    Bench(tmp_path, None, tmp_path / "state", SystemClock()).tone("left", listener)
    assert listener.spared[-1] == disk_is_full


def _spare(stage: CapStage, listener: Listener, lag: LogLag) -> None:
    listener.hop(stage, spares=bool(lag))


def _fails(*_: object) -> None:
    raise OSError(28, "No space left on device")
