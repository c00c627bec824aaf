"""A running daemon whose artist brings another evening, and a power cut in between."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from residue.archive.bag import payload_digest, seal
from residue.archive.swap.places import beside
from tests.runtime import kitchen
from tests.runtime.asking import until
from tests.runtime.daemon.test_daemon import events
from tests.runtime.running import Daemon

pytestmark = pytest.mark.real_time

TAKEN = "it has taken it"
PATIENCE_S = 110.0
"""What is done beside gives way to everything else on the machine."""


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Daemon]:
    one = Daemon(tmp_path, duration_s=6.0)
    one.start("--device", "silent")
    yield one
    one.end()


def swap(daemon: Daemon, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "residue", "swap", str(daemon.installation), *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_another_evening_takes_the_place_while_the_old_one_plays_and_a_power_cut_loses_neither(
    running: Daemon, tmp_path: Path
) -> None:
    kitchen._evening(tmp_path / "recorded-third-batch", 5, 5.0)
    stick = tmp_path / "stick" / "third-batch"
    seal(tmp_path / "recorded-third-batch", stick, {}, date(2026, 3, 1))
    place = running.installation / "performances" / "first-batch"
    old, new = payload_digest(place), payload_digest(stick)
    until(running.port, lambda told: told["performance"] == "first-batch")

    assert swap(running, str(stick), "--in-place-of", "first-batch", "--now").returncode == 0
    assert running.process is not None
    running.process.kill()  # the power goes
    running.process.communicate()
    assert payload_digest(place) == old

    running.start("--device", "silent")
    until(running.port, lambda told: TAKEN in str(told["events"]), PATIENCE_S)
    assert payload_digest(place) == new
    assert payload_digest(beside(place.parent, place.name, "before")) == old
    [text] = _logged(running, TAKEN)
    assert text.startswith("third-batch in the place of first-batch:")


def _logged(daemon: Daemon, wanted: str) -> list[str]:
    """What the log has of it, as soon as the disk has taken it: the status may know it before."""
    deadline_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline_s:
        if texts := [text for kind, text, _ in events(daemon.state) if kind == "swap" and wanted in text]:
            return texts
        time.sleep(0.05)
    return []
