"""A whole house proves its outputs through a real sound server, with a room of figures between its two ends.

The room is a thread that takes what is played from one sink of the server, lets it travel, and plays it into a second
sink; the microphone is the monitor of that one.
"""

from __future__ import annotations

import signal
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.signal import oaconvolve

from tests.proof.simulated_room import Speaker, noise
from tests.runtime.asking import until
from tests.runtime.running import Daemon
from tests.sound_server import SoundServer, sound_server

pytestmark = [pytest.mark.real_time, pytest.mark.long]

_BLOCK = 4_800
MICROPHONE = """
[microphone]
device = "pulse"
before_opening_min = 30
"""
ALIVE = {"left": Speaker(-6.0, 4.0, 0.3, seed=1), "right": Speaker(-9.0, 9.0, 0.3, seed=2)}
WRONG = {"left": Speaker(0.0, 4.0, 0.3, seed=1), "right": Speaker(-200.0, 9.0, 0.3, seed=2)}


@contextmanager
def live_room(server: SoundServer, hall: dict[str, Speaker]) -> Iterator[None]:
    """While the context lasts, what is played is heard as in this hall; late, so that no busy machine tears it."""
    form = ["--raw", "--format=float32le", "--rate=48000", "--channels=2"]
    take = ["parec", "-d", "gallery.monitor", *form, "--latency-msec=50"]
    give = ["pacat", "-d", "room", *form, "--latency-msec=1200"]
    taking = subprocess.Popen(take, env=server.environment, stdout=subprocess.PIPE)
    giving = subprocess.Popen(give, env=server.environment, stdin=subprocess.PIPE)
    responses = [speaker.response for speaker in hall.values()]
    longest = max(map(len, responses))
    hiss = noise(20 * 48_000, -75.0)

    def travel() -> None:
        assert taking.stdout is not None
        assert giving.stdin is not None
        rest, at = np.zeros(longest + _BLOCK), 0
        giving.stdin.write(bytes(8 * 57_600))
        while len(block := taking.stdout.read(8 * _BLOCK)) == 8 * _BLOCK:
            played = np.frombuffer(block, np.float32).reshape(-1, 2).T.astype(np.float64)
            for channel, response in zip(played, responses, strict=True):
                arrived = oaconvolve(channel, response)
                rest[: len(arrived)] += arrived
            heard = rest[:_BLOCK] + hiss[at : at + _BLOCK]
            rest = np.concatenate((rest[_BLOCK:], np.zeros(_BLOCK)))
            at = (at + _BLOCK) % (len(hiss) - _BLOCK)
            try:
                giving.stdin.write(np.repeat(heard[:, None], 2, axis=1).astype(np.float32).tobytes())
                giving.stdin.flush()
            except OSError:  # the room is gone
                return

    travelling = threading.Thread(target=travel)
    travelling.start()
    try:
        yield
    finally:
        taking.kill()
        travelling.join()
        giving.kill()
        for process in (taking, giving):
            process.wait()
            for pipe in (process.stdout, process.stdin):
                if pipe is not None:
                    with suppress(OSError):  # what it had not taken yet is of no use
                        pipe.close()


def open_in(running: Daemon, minutes: int) -> None:
    """The house opens after so many minutes, in a zone in which it is about noon."""
    now = datetime.now(UTC)
    ahead = 12 - now.hour
    opens = now + timedelta(hours=ahead, minutes=minutes)
    zone = f"Etc/GMT{-ahead:+d}" if ahead else "Etc/GMT"
    days = "\n".join(f'{day} = ["{opens:%H:%M}-22:00"]' for day in ("mon", "tue", "wed", "thu", "fri", "sat", "sun"))
    programme = '[programme]\nperformances = ["first-batch", "second-batch"]\nrest_s = 5\n'
    (running.installation / "hours.toml").write_text(f'time_zone = "{zone}"\n\n[weekly]\n{days}\n\n{programme}')


def proof(running: Daemon, server: SoundServer, hall: dict[str, Speaker]) -> dict[str, Any]:
    """The status after a proof in this hall."""
    with live_room(server, hall):
        environment = {**server.environment, "PULSE_SINK": "gallery", "PULSE_SOURCE": "room.monitor"}
        running.start("--device", "pulse", environment=environment)
        before = datetime.now(UTC)
        told = until(
            running.port,
            lambda told: told["proof"]["at"] is not None and datetime.fromisoformat(told["proof"]["at"]) > before,
        )
        assert running.process is not None
        running.process.send_signal(signal.SIGTERM)
        running.process.communicate(timeout=60)
    return told


def test_a_house_proves_its_outputs_before_it_opens(tmp_path: Path) -> None:
    running = Daemon(tmp_path)
    room = running.installation / "room.toml"
    room.write_text(room.read_text() + MICROPHONE)
    with sound_server(tmp_path) as server:
        module = ["load-module", "module-null-sink", "sink_name=room", "rate=48000", "channels=2"]
        subprocess.run(["pactl", *module], env=server.environment, check=True, capture_output=True)
        try:
            open_in(running, 10)
            well = proof(running, server, ALIVE)
            assert well["house"] == "closed"
            assert well["proof"]["trouble"] is None
            assert {name: one["verdict"] for name, one in well["proof"]["found"].items()} == {
                "left": "well",
                "right": "well",
            }
            open_in(running, 12)
            wrong = proof(running, server, WRONG)
        finally:
            running.end()
    found = wrong["proof"]["found"]
    assert (found["left"]["verdict"], found["right"]["verdict"]) == ("louder", "not heard")
    assert found["left"]["drift_db"] == pytest.approx(6.0, abs=0.3)
    assert wrong["proof"]["lowered_db"] in (-6.0, -6.5)
    assert {"by": "proof", "db": wrong["proof"]["lowered_db"], "who": None} in wrong["lowered"]
    assert "right is not heard" in str(wrong["health"]["attention"])


def test_a_knob_that_is_turned_up_while_it_plays_lowers_the_house_and_a_crowd_does_not(tmp_path: Path) -> None:
    """The knob is that of the server's mixer. The microphone is the monitor itself: no busy machine makes it late."""
    running = Daemon(tmp_path)
    room = running.installation / "room.toml"
    room.write_text(room.read_text() + MICROPHONE + "while_open = true\n")
    crowd = tmp_path / "crowd.raw"
    crowd.write_bytes(np.repeat(noise(600 * 48_000, -38.0)[:, None], 2, axis=1).astype(np.float32).tobytes())
    with sound_server(tmp_path) as server:
        form = ["--raw", "--format=float32le", "--rate=48000", "--channels=2"]
        try:
            environment = {**server.environment, "PULSE_SINK": "gallery", "PULSE_SOURCE": "gallery.monitor"}
            running.start("--device", "pulse", environment=environment)
            learnt = until(running.port, lambda told: told["proof"]["change_db"] is not None, patience_s=900)
            assert learnt["proof"]["change_db"] < 0.5  # gaps of a busy machine make it quieter
            told = subprocess.check_output(["pactl", "list", "short", "sink-inputs"], env=server.environment, text=True)
            (stream,) = (line.split()[0] for line in told.splitlines())
            with subprocess.Popen(["pacat", "-d", "gallery", *form, str(crowd)], env=server.environment) as talking:
                crowded = until(
                    running.port,
                    lambda told: told["proof"]["change_db"] not in (None, learnt["proof"]["change_db"]),
                    patience_s=900,
                )
                talking.kill()
            assert crowded["proof"]["lowered_db"] == 0.0
            assert crowded["proof"]["change_db"] < 1.5
            volume = ["pactl", "set-sink-input-volume", stream, "+6dB"]
            subprocess.run(volume, env=server.environment, check=True)
            # The window in which it was turned tells a part of it; those after it tell the whole.
            lowered = until(running.port, lambda told: told["proof"]["lowered_db"] <= -5.5, patience_s=900)
        finally:
            running.end()
    assert lowered["proof"]["lowered_db"] == pytest.approx(-6.0, abs=0.5)
    assert {"by": "proof", "db": lowered["proof"]["lowered_db"], "who": None} in lowered["lowered"]
    assert "by the proof of its outputs" in str(lowered["health"]["attention"])
