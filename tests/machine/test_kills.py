"""A real process, killed at random moments and started again two hundred times: nothing that it keeps is ever torn.

Each run is forked from a process that has imported everything, so that the kills fall into what the daemon does and
not into the interpreter's own start; files, threads, sockets and the planner's process are real.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import socket
import sqlite3
import time
from contextlib import closing, suppress
from multiprocessing.process import BaseProcess
from pathlib import Path

import pytest

from residue.runtime.house.memory import remembered
from residue.runtime.system.folders import MEMORY_BEFORE_FILE, MEMORY_FILE
from tests.runtime.asking import until
from tests.runtime.kitchen import build
from tests.runtime.running import free_port

pytestmark = [pytest.mark.machine, pytest.mark.timeout(1_800)]

KILLS = 200
LONGEST_S = 2.0
"""Start, first words in the log, the first memory and the beginning of a performance lie within it."""
SEED = 6


def run(installation: Path, folder: Path) -> None:
    """In a session of its own, so that the planner is killed too, as systemd does."""
    from residue.installation.load import load
    from residue.runtime.daemon.assembly import Places
    from residue.runtime.daemon.daemon import run as run_daemon

    os.setsid()
    with (folder / "messages.txt").open("a") as messages:
        os.dup2(messages.fileno(), 2)
    places = Places(device="silent", state=folder / "state", cache=folder / "cache")
    run_daemon(load(installation), places, for_s=None)


def events(state: Path) -> list[tuple[int, str, str]]:
    """Read as a person would with any SQLite program; it must be whole."""
    with closing(sqlite3.connect(state / "levels.sqlite")) as reader:
        assert reader.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        try:
            return reader.execute("SELECT rowid, utc, kind FROM event ORDER BY rowid").fetchall()
        except sqlite3.OperationalError:  # killed before the first table was made
            return []


def start(installation: Path, folder: Path) -> BaseProcess:
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["residue.runtime.daemon.daemon", "residue.installation.load"])
    process = context.Process(target=run, args=(installation, folder))
    process.start()
    return process


def kill(process: BaseProcess) -> None:
    with suppress(ProcessLookupError):  # so early that it has no session of its own yet
        os.killpg(process.pid or 0, signal.SIGKILL)
    process.kill()
    process.join()


def test_two_hundred_kills_leave_state_whole_and_the_log_continuous(tmp_path: Path) -> None:
    port = free_port()
    installation = build(tmp_path, port)
    state = tmp_path / "state"
    moments = random.Random(SEED)
    known: list[tuple[int, str, str]] = []
    was_remembered = False
    for number in range(KILLS):
        process = start(installation, tmp_path)
        time.sleep(moments.uniform(0.0, LONGEST_S))
        assert process.is_alive(), f"run {number} of seed {SEED} ended by itself: {messages(tmp_path)}"
        kill(process)
        exists = any((state / name).exists() for name in (MEMORY_FILE, MEMORY_BEFORE_FILE))
        assert exists or not was_remembered, f"kill {number} of seed {SEED}"
        assert remembered(state)[1] == [], f"kill {number} of seed {SEED}"
        was_remembered = exists
        if not (state / "levels.sqlite").exists():
            continue
        found = events(state)
        assert found[: len(known)] == known, f"kill {number} of seed {SEED}: what was in the log stays in it"
        assert [row[0] for row in found] == list(range(1, len(found) + 1)), "without a gap"
        known = found
    assert sum(kind == "started" for _, _, kind in known) > KILLS // 4, "most runs lived long enough to log"
    assert "cannot be read" not in messages(tmp_path)

    process = start(installation, tmp_path)
    try:
        told = until(port, lambda told: (told["playhead_s"] or 0.0) > 1.0)
    finally:
        kill(process)
    assert told["house"] == "playing"
    # Each kill may have sent 2.5 s that no row tells, so the caps count as used up by now: that alone is told.
    assert all(alarm.startswith("The caps count sound before the start") for alarm in told["health"]["alarms"])


def test_a_hold_is_kept_from_the_moment_it_holds(tmp_path: Path) -> None:
    """Not only from the next round of writing down."""
    port = free_port()
    installation = build(tmp_path, port)
    process = start(installation, tmp_path)
    until(port, lambda told: told["house"] in ("opening", "playing"))
    with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as asking:
        asking.sendto(b"/house/hold\0,\0\0\0", ("127.0.0.1", port))
    until(port, lambda told: told["house"] == "held")
    time.sleep(0.3)  # for the disk
    kill(process)
    process = start(installation, tmp_path)
    told = until(port, lambda told: True)
    kill(process)
    assert told["house"] == "held"


def messages(folder: Path) -> str:
    path = folder / "messages.txt"
    return path.read_text() if path.exists() else ""
