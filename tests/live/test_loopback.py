"""`residue record` as a person runs it: real sound in by a sound server, real messages, a real Ctrl-C, a real cut."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import soundfile
from pythonosc.osc_message_builder import OscMessageBuilder

from residue.archive.bag import open_bag
from residue.archive.fixity import verify
from residue.archive.prepared import prepare
from residue.archive.readers.beats import read_beats
from residue.installation.load import load
from residue.live.take import recovered, work_folder
from residue.loudness.stage.history import SentHistory
from residue.loudness.stage.stage import LIVE_SLICE_FRAMES
from residue.problems import ProblemError
from residue.runtime.journal.log import FILE_NAME as LOG_FILE
from residue.runtime.journal.log import LevelLog
from residue.runtime.journal.telling import UNLOGGED_MOST_S
from residue.runtime.offline.recording import record
from residue.runtime.planning.preparation import cap_stage, playback_of, steps
from residue.runtime.system.clock import SystemClock, uptime
from tests.live.stage import arm, brain, heart, installation
from tests.reference.test_sound_server import found_within
from tests.runtime.running import free_port
from tests.sound_server import SoundServer, sound_server

pytestmark = pytest.mark.real_time

RATE_HZ = 48_000


@pytest.fixture
def server(tmp_path: Path) -> Iterator[SoundServer]:
    with sound_server(tmp_path) as running:
        yield running


@contextmanager
def body(server: SoundServer, folder: Path, port: int, seconds: float = 60.0) -> Iterator[np.ndarray]:
    """Plays an arm into the server, over and over, and sends a brain and a heart, while the context lasts."""
    sound = arm(seconds)
    soundfile.write(folder / "arm.wav", sound.T, RATE_HZ, subtype="FLOAT")
    raw = folder / "arm.raw"
    raw.write_bytes(np.ascontiguousarray(sound.T).tobytes())
    over = threading.Event()

    def send() -> None:
        began_s = time.monotonic()
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            for one in sorted([*brain(seconds), *heart(seconds)], key=lambda one: one.at_s):
                if over.wait(max(0.0, began_s + one.at_s - time.monotonic())):
                    return
                builder = OscMessageBuilder(one.address)
                for number in one.numbers:
                    builder.add_arg(number, "f")
                sender.sendto(builder.build().dgram, ("127.0.0.1", port))

    form = ["--raw", "--format=float32le", "--rate=48000", "--channels=2", "--latency-msec=100"]
    player = subprocess.Popen(["pacat", "-d", "gallery", *form, str(raw)], env=server.environment)
    sending = threading.Thread(target=send)
    sending.start()
    try:
        yield sound
    finally:
        over.set()
        sending.join()
        player.kill()
        player.wait()


def recording(server: SoundServer, folder: Path, *more: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "residue", "record", str(folder / "proof"), "--into", str(folder / "live")]
    command += ["--device", f"file:{folder / 'heard.wav'}", "--state", str(folder / "state"), *more]
    return subprocess.Popen(command, env=server.environment, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True)


def wait_for_sound(folder: Path, seconds: float) -> None:
    """Until so much of the arm is written down."""
    growing = work_folder(folder / "live") / "data" / "sound.input.wav"
    deadline_s = time.monotonic() + 200
    while not growing.exists() or growing.stat().st_size < seconds * RATE_HZ * 4:
        assert time.monotonic() < deadline_s, "nothing is recorded"
        time.sleep(0.05)


def replayed(folder: Path) -> np.ndarray:
    """(outputs, frames): what the bag gives through a cap stage like that of the evening."""
    loaded = load(folder / "proof")
    playback = playback_of(loaded, prepare(folder / "live", loaded.graph.needs, folder / "cache"))
    stage = cap_stage(loaded, SentHistory(), LIVE_SLICE_FRAMES)
    stage.begin_programme(planned=False)
    again = np.concatenate([stage.process(played.outputs).frames for played in steps(playback)], axis=1)
    return again.astype(np.float32)


def assert_heard_is_replayed(folder: Path) -> None:
    """What went to the sink, after the cap, holds what the bag gives when it is played again, sample for sample."""
    again = replayed(folder)
    heard = soundfile.read(folder / "heard.wav", dtype="float32", always_2d=True)[0].T
    within = again[:, RATE_HZ // 2 : -RATE_HZ]  # steps go on a little after the end
    assert np.abs(within).max() > 0.005
    assert found_within(heard, within) >= 0


def test_what_was_played_through_a_real_sound_server_is_replayed_to_the_bit(
    tmp_path: Path, server: SoundServer
) -> None:
    port = free_port()
    installation(tmp_path, port)
    with body(server, tmp_path, port) as sound:
        running = recording(server, tmp_path)
        wait_for_sound(tmp_path, 3.0)
        running.send_signal(signal.SIGINT)
        told, errors = running.communicate(timeout=200)
    assert running.returncode == 0, errors
    assert "Sealed as" in told
    assert "ms after it happens" in errors, "the delay is told"
    assert verify(tmp_path / "live") == []
    bag = open_bag(tmp_path / "live")
    kept = soundfile.read(bag.file_of("forearm"), dtype="float32", always_2d=True)[0].T
    # 20 ms each: a busy machine lets the server and the player of the arm slip, up to ten times a second.
    stretches = [kept[:, start : start + RATE_HZ // 50] for start in range(0, kept.shape[1], RATE_HZ // 50)]
    found = [found_within(sound[1:], stretch) >= 0 for stretch in stretches[25:-1]]
    assert np.mean(found) > 0.5, "the record is what was played in"
    beats = read_beats(bag.file_of("chest"), bag.performance.channel["chest"])
    assert len(beats.times_s) >= 2
    assert np.median(beats.intervals_s) == pytest.approx(0.8, abs=0.1)
    assert_heard_is_replayed(tmp_path)


@pytest.mark.long
def test_a_power_cut_leaves_what_can_be_sealed(tmp_path: Path, server: SoundServer) -> None:
    port = free_port()
    installation(tmp_path, port)
    with body(server, tmp_path, port):
        running = recording(server, tmp_path)
        wait_for_sound(tmp_path, 3.0)
        running.kill()
        running.communicate(timeout=200)
    assert not (tmp_path / "live").exists(), "never half a bag"
    with closing(LevelLog(tmp_path / "state" / LOG_FILE)) as log:
        (unlogged,) = log.sent_before(SystemClock().now(), uptime(), 900.0).unlogged
    assert (unlogged.age_s, unlogged.duration_s) == (0.0, UNLOGGED_MOST_S)
    assert unlogged.limits, "those of the evening"
    with pytest.raises(ProblemError, match="Seal it with --recover"):
        record(load(tmp_path / "proof"), tmp_path / "live", device=None, for_s=None, state=tmp_path)
    recovered(tmp_path / "live", date(2026, 3, 1))
    assert verify(tmp_path / "live") == []
    assert_heard_up_to_the_cut_is_replayed(tmp_path)


def assert_heard_up_to_the_cut_is_replayed(folder: Path) -> None:
    again = replayed(folder)
    assert again.shape[1] > 2.5 * RATE_HZ
    heard = soundfile.read(folder / "heard.wav", dtype="float32", always_2d=True)[0].T
    assert found_within(heard, again[:, RATE_HZ // 2 : RATE_HZ]) >= 0


@pytest.mark.long
def test_a_sound_server_that_ends_is_a_gap_and_the_evening_goes_on(tmp_path: Path, server: SoundServer) -> None:
    port = free_port()
    installation(tmp_path, port)
    with body(server, tmp_path, port):
        running = recording(server, tmp_path)
        wait_for_sound(tmp_path, 2.0)
        server.kill()
        time.sleep(2.0)  # it is gone so long, whatever a busy machine has yet to write down
        wait_for_sound(tmp_path, 3.5)
        server.start()
        wait_for_sound(tmp_path, 7.5)
        running.send_signal(signal.SIGINT)
        _, errors = running.communicate(timeout=200)
    assert running.returncode == 0, errors
    assert "Traceback" not in errors
    bag = open_bag(tmp_path / "live")
    assert any(gap.length_s > 0.5 for gap in bag.performance.channel["forearm"].bridged)
    assert "The sound input is back" in errors
    assert_heard_is_replayed(tmp_path)
