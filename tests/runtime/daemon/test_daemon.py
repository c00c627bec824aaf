"""The daemon as a process of its own, as the service manager and a technician meet it."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
import soundfile

from residue.runtime.house.memory import remembered
from tests.runtime.asking import until
from tests.runtime.running import Daemon

pytestmark = pytest.mark.real_time

STATUS_KEYS = [
    *("house", "performance", "playhead_s", "section", "readings", "levels", "caps", "health", "events"),
    *("installation", "piece", "place", "time_zone", "now", "open", "opens", "closes", "held_until", "bag", "tone"),
    *("lowered", "in_step", "light", "proof", "assumed"),
]


WATCHED_COLLECTIONS = """
import gc, threading
def watch(phase, told):
    if phase == "start" and told["generation"] == 2:
        names = [thread.name for thread in threading.enumerate()]
        with open({path!r}, "a") as file:
            file.write("engine\\n" if "engine" in names else "no engine\\n")
gc.callbacks.append(watch)
"""
"""For a Python as it starts (gc.callbacks of its library): a line for each look at all objects."""


def events(state: Path) -> list[tuple[str, str, str | None]]:
    with closing(sqlite3.connect(state / "levels.sqlite")) as reader:
        assert reader.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        return reader.execute("SELECT kind, text, sender FROM event ORDER BY rowid").fetchall()


def test_an_evening_from_ready_to_the_last_fade(daemon: Daemon) -> None:
    process = daemon.start()
    daemon.told("READY=1")
    playing = until(daemon.port, lambda told: (told["playhead_s"] or 0) > 4.0)
    daemon.told("WATCHDOG=1")
    assert list(playing) == STATUS_KEYS
    assert (playing["house"], playing["performance"], playing["section"]) == ("playing", "first-batch", "quiet hands")
    assert playing["health"]["alarms"] == []
    assert playing["caps"][0]["level"] < playing["caps"][0]["limit"]

    before_bytes = daemon.wav.stat().st_size
    process.send_signal(signal.SIGTERM)
    _, errors = process.communicate(timeout=200)
    assert process.returncode == 0, errors
    assert "Traceback" not in errors
    daemon.told("STOPPING=1")

    heard, _ = soundfile.read(daemon.wav)
    bytes_a_second = daemon.wav.stat().st_size / len(heard) * 48_000
    assert daemon.wav.stat().st_size - before_bytes < 3.5 * bytes_a_second, "within 3 s, and what was on its way"
    last_s = np.abs(heard[-4_800:]).max()
    assert np.abs(heard).max() > 0.001
    assert last_s < 1e-5, "the end is faded, not cut"

    kinds = [kind for kind, _, _ in events(daemon.state)]
    assert kinds[0] == "started"
    assert kinds[-1] == "ended"
    with closing(sqlite3.connect(daemon.state / "levels.sqlite")) as reader:
        duration_s, laeq = reader.execute("SELECT sum(duration_s), max(laeq_db) FROM level").fetchone()
    assert duration_s == pytest.approx(len(heard) / 48_000, abs=0.5), "every second that was sent is in the log"
    assert -90 < laeq < -20


def test_the_engine_does_not_wait_for_a_look_at_all_objects(daemon: Daemon) -> None:
    """At a start, 30 ms of it made the second block late on a quarter of a processor."""
    looks = daemon.folder / "looks.txt"
    (daemon.folder / "sitecustomize.py").write_text(WATCHED_COLLECTIONS.format(path=str(looks)), encoding="utf-8")
    daemon.start("--device", "silent", environment={**os.environ, "PYTHONPATH": str(daemon.folder)})
    daemon.told("READY=1")
    assert set(looks.read_text(encoding="utf-8").splitlines()) == {"no engine"}


def test_people_hold_release_trim_and_pass_over_by_osc(daemon: Daemon) -> None:
    daemon.start("--device", "silent")
    until(daemon.port, lambda told: told["house"] == "playing")
    assert daemon.ask("/house/trim", -12.0) == ("/house/done", "/house/trim")
    assert until(daemon.port, lambda told: True)["health"]["trim_db"] == -12.0
    assert daemon.ask("/house/trim", 6.0)[0] == "/house/error"
    assert daemon.ask("/house/trim", "loud") == ("/house/error", "/house/trim: It takes db; 'loud' was sent.")
    daemon.ask("/house/next")
    until(daemon.port, lambda told: told["performance"] == "second-batch")
    daemon.ask("/house/hold")
    held = until(daemon.port, lambda told: told["house"] == "held" and told["performance"] is None)
    assert held["health"]["held_by"] == "127.0.0.1"
    daemon.ask("/house/release")
    until(daemon.port, lambda told: told["performance"] == "second-batch")
    address, text = daemon.ask("/house/status", "room for a longer answer" * 60)
    assert address == "/house/status/reply"
    assert json.loads(text)["house"] == "playing"


def test_a_process_that_is_killed_leaves_a_whole_log_and_goes_on_where_it_was(daemon: Daemon) -> None:
    """How often the place is written down depends on the machine; that it goes on from there does not."""

    def begun_again() -> list[str]:
        """What was played since the second start."""
        told = events(daemon.state)
        [_, *again] = [at for at, (kind, _, _) in enumerate(told) if kind == "started"]
        return [text for at in again for kind, text, _ in told[at:] if kind == "playing"]

    daemon.start("--device", "silent")
    until(daemon.port, lambda _: remembered(daemon.state)[0].place_s > 1.0)
    daemon.kill()
    written = remembered(daemon.state)[0]
    daemon.start("--device", "silent")
    until(daemon.port, lambda _: bool(begun_again()))
    name = ("first-batch", "second-batch")[written.index % 2]
    assert begun_again()[0].startswith(f"{name} from {written.place_s:.0f} s on")
    assert "ended" not in [kind for kind, _, _ in events(daemon.state)]


def test_without_its_device_the_house_is_up_keeps_time_and_says_what_is_missing(daemon: Daemon) -> None:
    daemon.start("--device", "no such device")
    daemon.told("READY=1")
    told = until(daemon.port, lambda told: (told["playhead_s"] or 0) > 1.0)
    assert told["house"] == "faulted"
    assert told["health"]["device_lost"].startswith('There is no sound device "no such device"')
    assert told["health"]["device_lost"] in told["health"]["alarms"]
    daemon.told("WATCHDOG=1")


def test_what_keeps_it_from_starting_is_told_in_one_message(daemon: Daemon) -> None:
    process = daemon.start("--device", "file:/no/such/folder/a.wav")
    _, errors = process.communicate(timeout=200)
    assert process.returncode == 1
    assert "names no WAV file in a folder that exists" in errors
    assert "Traceback" not in errors


def test_a_second_daemon_on_the_same_port_is_told_so(daemon: Daemon) -> None:
    daemon.start("--device", "silent")
    daemon.told("READY=1")
    command = [sys.executable, "-m", "residue", "run", str(daemon.installation), "--device", "silent", "--state"]
    second = subprocess.run([*command, str(daemon.folder / "other")], capture_output=True, text=True, timeout=200)
    assert second.returncode == 1
    assert f"Nothing can listen at 127.0.0.1:{daemon.port}" in second.stderr
    assert "Traceback" not in second.stderr


def test_a_terminal_that_is_closed_ends_it_like_ctrl_c(daemon: Daemon) -> None:
    process = daemon.start("--device", "silent")
    until(daemon.port, lambda told: told["house"] == "playing")
    process.send_signal(signal.SIGHUP)
    _, errors = process.communicate(timeout=200)
    assert process.returncode == 0, errors
    assert events(daemon.state)[-1] == ("ended", "Exit status 0", None)
