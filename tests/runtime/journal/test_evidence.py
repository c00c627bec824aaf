from __future__ import annotations

import threading
from datetime import timedelta
from pathlib import Path

import pytest

from residue.loudness.outputs.outputs import Output
from residue.output.returning import ReturningSink
from residue.runtime.calibration import calibration_player
from residue.runtime.calibration.calibration_player import CalibrationPlayer, running
from residue.runtime.journal.evidence import Evidence
from residue.runtime.journal.log import FILE_NAME
from residue.runtime.journal.reading import LogReader
from residue.runtime.journal.telling import UNLOGGED_MOST_S
from residue.runtime.system.clock import SystemClock, uptime
from tests.runtime.stubs import Keeping
from tests.runtime.tallied import THEN, tally


def kinds(folder: Path) -> list[str]:
    now = SystemClock().now()
    return [event.kind for event in LogReader(folder / FILE_NAME).between(now - timedelta(days=1), now).events]


def unlogged_s(evidence: Evidence) -> float:
    return evidence.log.sent_before(SystemClock().now(), uptime(), 900.0).unlogged[0].duration_s


def test_what_was_sent_stands_in_the_log_between_a_start_and_an_end(tmp_path: Path) -> None:
    evidence = Evidence(tmp_path, SystemClock())
    with evidence.kept("Begun.", "Over."):
        evidence.sent(tally(1.0, 61.0), THEN)
    history = evidence.log.sent_before(SystemClock().now(), uptime(), 900.0)
    assert [row.sent["A at place, dB, at most"] for row in history.rows] == [61.0]
    assert kinds(tmp_path) == ["started", "ended"]
    assert unlogged_s(evidence) == 0.0


def test_a_run_that_did_not_tell_all_it_sent_has_no_end(tmp_path: Path) -> None:
    evidence = Evidence(tmp_path, SystemClock())
    with evidence.kept("Begun.", "Over."):
        evidence.cut("The engine did not end.")
    assert kinds(tmp_path) == ["started", "cut"]
    assert unlogged_s(evidence) == UNLOGGED_MOST_S


def test_a_calibration_whose_device_hangs_is_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(calibration_player, "_STOPPING_S", 0.05)
    hangs, sink = threading.Event(), Keeping()
    returning = ReturningSink(sink.open, lambda: 0.0, lambda _s: None)
    player = CalibrationPlayer(returning, {"left": Output(device_channel=1)}, lambda _tally: None)
    why: list[str] = []
    monkeypatch.setattr(sink, "write", lambda _capped: hangs.wait())
    with running(player, returning, why.append):
        pass
    hangs.set()
    assert why == ["The sound did not fade out to its end."]
