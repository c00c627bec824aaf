from __future__ import annotations

import subprocess
import time
from pathlib import Path
from typing import Any

import pytest

from residue.installation.load import load
from residue.runtime.planning import planner
from residue.runtime.planning.planner import Planner
from tests.runtime import kitchen


def test_a_planner_that_cannot_be_started_is_started_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    started: list[Any] = []

    class NoMemory:
        def __init__(self, *command: Any, **_: Any) -> None:
            started.append(command)
            raise OSError(12, "Cannot allocate memory")

    monkeypatch.setattr(subprocess, "Popen", NoMemory)
    monkeypatch.setattr(planner, "RETRY_S", 0.01)
    installation = load(kitchen.build(tmp_path, port=47_398, duration_s=1.0))
    one = Planner(lambda: installation, tmp_path / "cache")
    one.start()
    deadline_s = time.monotonic() + 10.0
    while len(started) < 3 and time.monotonic() < deadline_s:
        time.sleep(0.01)
    one.end()
    assert len(started) >= 3
    assert one.trouble == "The planner cannot be started: Cannot allocate memory."
