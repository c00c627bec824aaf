"""`residue calibrate` as a technician has it: a terminal, a sound server, and a meter that hears what comes out."""

from __future__ import annotations

import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from math import log10
from pathlib import Path

import numpy as np
import pytest

from residue.loudness.meters.weightings import Weighting
from residue.runtime.journal.log import FILE_NAME
from residue.runtime.journal.reading import LogReader
from tests.runtime.running import AS_AT_A_TERMINAL
from tests.runtime.technician import Hall
from tests.sound_server import SoundServer, sound_server

pytestmark = pytest.mark.real_time

ROOM = """\
place = "Kitchen"
device = "pulse"

[output.left]
device_channel = 1   # by the door

[output.right]
device_channel = 2

[[cap]]
rule = "who-2022"
"""
HALL = Hall({0: 120.0, 1: 118.0}, background_dba=40.0, background_dbc=50.0)
PATIENCE_S = 200.0
METER_FRAMES = 48_000


class TerminalOfAPerson:
    """What a person sees, and the keys that are pressed."""

    def __init__(self, program: subprocess.Popen[bytes], terminal: int) -> None:
        self.program, self._terminal = program, terminal
        self.seen = ""

    def until(self, pattern: str) -> str:
        """What is shown from the last answer on, once it matches."""
        start, deadline = len(self.seen), time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            self._look(0.1)
            if re.search(pattern, self.seen[start:]):
                return self.seen[start:]
        raise AssertionError(f"{pattern} was not shown:\n{self.seen}")

    def asked(self) -> str | None:
        """The next question, without what was shown before; None once the program has ended."""
        start, deadline = len(self.seen), time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            self._look(0.1)
            line = self.seen[start:].split("\n")[-1]
            if line.endswith(": "):
                return line
            if self.program.poll() is not None:
                return None
        raise AssertionError(f"It asks nothing, and goes on:\n{self.seen}")

    def type(self, keys: str) -> None:
        os.write(self._terminal, keys.encode())

    def ended(self) -> int:
        """Its exit status; what it shows at the end is read."""
        deadline = time.monotonic() + PATIENCE_S
        while self.program.poll() is None and time.monotonic() < deadline:
            self._look(0.1)
        self._look(0.1)
        assert self.program.returncode is not None, self.seen
        return self.program.returncode

    def _look(self, wait_s: float) -> None:
        if select.select([self._terminal], [], [], wait_s)[0]:
            with suppress(OSError):  # the other end was closed
                self.seen += os.read(self._terminal, 65_536).decode().replace("\r\n", "\n")


@contextmanager
def at_terminal(installation: Path, server: SoundServer, *options: str) -> Iterator[TerminalOfAPerson]:
    person, program_end = pty.openpty()
    words = [sys.executable, "-m", "residue", "calibrate", str(installation), "--state", str(installation / "state")]
    program = subprocess.Popen(
        [*AS_AT_A_TERMINAL, *words, *options],
        stdin=program_end,
        stdout=program_end,
        stderr=program_end,
        env=server.environment,
        start_new_session=True,
    )
    os.close(program_end)
    try:
        yield TerminalOfAPerson(program, person)
    finally:
        program.kill()
        program.wait()
        os.close(person)


@pytest.fixture
def server(tmp_path: Path) -> Iterator[SoundServer]:
    with sound_server(tmp_path) as running:
        yield running


@pytest.fixture
def installation(tmp_path: Path) -> Path:
    (tmp_path / "room.toml").write_text(ROOM, encoding="utf-8")
    return tmp_path


def test_a_room_is_calibrated_at_a_terminal_through_a_sound_server(server: SoundServer, installation: Path) -> None:
    with server.recording() as path, at_terminal(installation, server) as terminal:
        shown = terminal.until(r"Nothing plays\. The meter reads \(A C\): $")
        assert "CAUTION. Hearing" in shown
        assert "local rules and a qualified person" in shown
        terminal.type("40 50\n")
        question = terminal.until(r"\(A C\): $")
        while "left at" in question.splitlines()[-1]:
            time.sleep(3.0)  # a person lets the meter settle
            a, c = HALL.read(server.captured(path)[:, -METER_FRAMES:].astype(np.float64))
            terminal.type("\n" if "louder: " in question or "keeps it" in question else f"{a} {c}\n")
            question = terminal.until(r"(\(A C\)|louder|out): $")
        assert "Z, C or G; Enter leaves it out" in question
        terminal.type("\n")
        question = terminal.until(r"\(A C\): $")
        assert "Output right, 2 of 2" in question
        terminal.type("40 50\n")
        terminal.until(r"right at -60 dBFS\. The meter reads \(A C\): $")
        time.sleep(2.0)
        os.kill(terminal.program.pid, signal.SIGINT)
        assert terminal.ended() == 1
        assert "Ended. What was written before stays written." in terminal.seen
        assert "Traceback" not in terminal.seen
        time.sleep(0.5)
        captured = server.captured(path).astype(np.float64)
    room = tomllib.loads((installation / "room.toml").read_text(encoding="utf-8"))
    left = room["output"]["left"]["calibration"]
    assert left["read_dbc"] - left["played_dbfs"] == pytest.approx(120.0 - 0.4, abs=1.0)
    assert "# by the door" in (installation / "room.toml").read_text(encoding="utf-8")
    assert "calibration" not in room["output"]["right"]
    seconds = [captured[:, at : at + 48_000] for at in range(0, captured.shape[1] - 48_000, 4_800)]
    assert max(HALL.level_db(second, Weighting.A) for second in seconds) < 100.0
    assert np.max(np.abs(captured[1])) > 1e-4, "the right output had begun"
    assert 10 * log10(np.mean(captured[:, -9_600:] ** 2) + 1e-30) < -120.0, "and has faded out"
    now = datetime.now(UTC)
    logged = LogReader(installation / "state" / FILE_NAME).between(now - timedelta(hours=1), now)
    assert [event.kind for event in logged.events] == ["started", "calibrated", "ended"]
    assert "left: noise of 0 dBFS would be " in logged.events[1].text
    rows = [(json.loads(row.sent)["A at place, dB"], row.duration_s) for row in logged.seconds]
    told = sum(10 ** (level / 10) * duration_s for level, duration_s in rows if level is not None)
    heard_s = captured.shape[1] / 48_000
    assert told >= 10 ** (HALL.level_db(captured, Weighting.A) / 10) * heard_s, "the caps count no less than was heard"
    assert {row.house for row in logged.minutes} == {"calibrating"}


def test_an_output_counts_its_number_at_its_own_channel_until_the_terminal_is_closed(
    server: SoundServer, installation: Path
) -> None:
    with server.recording() as path, at_terminal(installation, server, "--tone", "right") as terminal:
        shown = terminal.until(r"q: end\. $")
        assert "right is output 2 of 2" in shown
        time.sleep(4.0)
        counted = server.captured(path)[1]  # up to here, since the last fade may cut a pulse in two
        os.kill(terminal.program.pid, signal.SIGHUP)
        assert terminal.ended() == 1
        captured = server.captured(path)
    sounding = np.convolve(np.abs(counted), np.ones(480) / 480, mode="same") > 10 ** (-66 / 20)
    starts = np.flatnonzero(np.diff(sounding.astype(int)) == 1)
    gaps_s = [float(gap) for gap in np.diff(starts) / 48_000]
    assert {round(gap / 0.413) for gap in gaps_s} == {1, 4}, "two pulses, then a longer pause"
    assert np.max(np.abs(captured[0])) < 1e-9
