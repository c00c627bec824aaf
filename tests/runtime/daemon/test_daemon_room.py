"""A running daemon whose technician saves another room.toml."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.runtime.asking import until
from tests.runtime.daemon.test_daemon import events
from tests.runtime.running import Daemon

pytestmark = pytest.mark.real_time


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Daemon]:
    one = Daemon(tmp_path)
    one.start("--device", "silent")
    yield one
    one.end()


def save(running: Daemon, limit_dbfs: float) -> None:
    room = running.installation / "room.toml"
    line = next(line for line in room.read_text().splitlines() if line.startswith("limit_dbfs"))
    room.write_text(room.read_text().replace(line, f"limit_dbfs = {limit_dbfs}"))


def limit(told: dict[str, Any]) -> float:
    return float(told["caps"][0]["limit"])


def test_a_cap_is_lowered_while_it_plays_and_raised_only_by_a_person_who_starts_it(running: Daemon) -> None:
    until(running.port, lambda told: told["house"] == "playing" and told["levels"]["place"]["la_db"] is not None)
    before = until(running.port, lambda told: told["health"]["plan_gain_db"] is not None)
    assert limit(before) == -20.0

    save(running, -60.0)
    lowered = until(running.port, lambda told: limit(told) == -60.0)
    assert lowered["house"] == "playing"
    assert lowered["health"]["device_losses"] == 0
    planned = until(running.port, lambda told: (told["health"]["plan_gain_db"] or 0.0) < -5.0)
    assert planned["performance"] == before["performance"], "it goes on under the new plan"

    save(running, -10.0)
    told = until(running.port, lambda told: "differs from what is in force" in str(told["health"]["alarms"]))
    assert "-10 dBFS(A) in the file, -60 dBFS(A) in force" in str(told["health"]["alarms"])

    running.kill()
    running.start("--device", "silent")
    again = until(running.port, lambda told: bool(told["caps"]))
    assert limit(again) == -60.0, "after a power cut nobody need be there"
    assert "differs from what is in force" in str(again["health"]["alarms"])

    assert running.process is not None
    running.process.send_signal(signal.SIGTERM)
    assert running.process.wait(timeout=30) == 0
    running.process.communicate()
    running.start("--device", "silent")
    raised = until(running.port, lambda told: bool(told["caps"]))
    assert limit(raised) == -10.0, "a person ended it and started it again"
    assert "differs" not in str(raised["health"]["alarms"])
    assert [kind for kind, *_ in events(running.state)].count("limits") == 1
