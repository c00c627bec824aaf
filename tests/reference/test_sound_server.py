"""What a real sound server puts out is, sample for sample, what was rendered."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.reference.analogue_meter import fast_maximum_db
from tests.runtime.asking import until
from tests.runtime.kitchen import build
from tests.runtime.running import free_port
from tests.sound_server import SoundServer, players, sound_server

pytestmark = pytest.mark.real_time

PLAY = """
import sys
from collections.abc import Iterator
from pathlib import Path
import numpy as np
import soundfile
from residue.loudness.stage.capped import Capped, Seal
from residue.output.opening import sink_opener
from residue.output.routing import Routing

frames, _ = soundfile.read(sys.argv[1], always_2d=True)
silence = np.zeros((48_000, frames.shape[1]))
sink = sink_opener("pulse", Routing(tuple(range(1, frames.shape[1] + 1))), Path())()
whole = np.concatenate([frames, silence])
for at in range(0, len(whole), 4_800):
    sink.write(Capped(whole[at : at + 4_800].T, Seal()))
print(sink.late_blocks)
sink.close()
"""

PLAY_A_LOW_TONE = """
from itertools import count
from pathlib import Path
import numpy as np
from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.stage import CapStage
from residue.output.opening import routing_of, sink_opener

quick = {"subsonic_hz": 8.0, "rise_db_per_s": 300.0}
outputs = {"left": Output(device_channel=1, **quick), "right": Output(device_channel=2, **quick)}
stage = CapStage(outputs, expand([CapEntry(quantity="LAFmax", limit_dbfs=-32.0)]))
sink = sink_opener("pulse", routing_of(outputs), Path())()
for hop in count():
    time = np.arange(hop * 4_800, (hop + 1) * 4_800) / 48_000
    sink.write(stage.process(np.tile(np.sin(2 * np.pi * 16.0 * time), (2, 1))))
    print(hop, flush=True)
"""


def found_within(long: np.ndarray, short: np.ndarray) -> int:
    """Where (channels, frames) `short` begins in `long`, to the bit; -1 where it does not occur."""
    starts = np.flatnonzero(long[0, : long.shape[1] - short.shape[1] + 1] == short[0, 0])
    return next((int(s) for s in starts if np.array_equal(long[:, s : s + short.shape[1]], short)), -1)


@pytest.mark.parametrize("channels", [2, 4])
def test_what_comes_out_is_what_was_rendered_sample_for_sample(tmp_path: Path, channels: int) -> None:
    rendered = np.random.default_rng(channels).normal(0, 0.1, (channels, 96_000)).astype(np.float32)
    soundfile.write(tmp_path / "rendered.wav", rendered.T, 48_000, subtype="FLOAT")
    with sound_server(tmp_path, channels) as server:
        with server.recording() as path:
            played = subprocess.run(
                [sys.executable, "-c", PLAY, str(tmp_path / "rendered.wav")],
                env=server.environment,
                capture_output=True,
                text=True,
                timeout=200,
                check=True,
            )
        captured = server.captured(path)
    assert played.stdout.split() == ["0"], "blocks came late"
    assert found_within(captured, rendered) >= 0


@pytest.fixture
def server(tmp_path: Path) -> Iterator[SoundServer]:
    with sound_server(tmp_path) as running:
        yield running


@pytest.fixture
def port() -> int:
    return free_port()


@pytest.fixture
def daemon(tmp_path: Path, server: SoundServer, port: int) -> Iterator[subprocess.Popen[str]]:
    """A daemon that plays on the server, listening at `port`."""
    installation = build(tmp_path, port, duration_s=120.0)
    command = [sys.executable, "-m", "residue", "run", str(installation), "--device", "pulse", "--state"]
    environment = {**server.environment, "XDG_CACHE_HOME": str(tmp_path / "cache")}
    running = subprocess.Popen([*command, str(tmp_path / "state")], env=environment, stderr=subprocess.PIPE, text=True)
    yield running
    running.kill()
    running.communicate()


def test_a_server_that_hangs_is_outlived(server: SoundServer, daemon: subprocess.Popen[str], port: int) -> None:
    until(port, lambda told: (told["playhead_s"] or 0.0) > 1.0)
    server.hang()
    lost = until(port, lambda told: told["health"]["device_lost"] == "The sound device hangs.")
    meanwhile = until(port, lambda told: told["playhead_s"] > lost["playhead_s"] + 5.0)
    assert meanwhile["health"]["device_lost"] is not None, "opening it again hangs as well"
    assert len(players(daemon.pid)) <= 1, "one attempt at a time"
    server.wake()
    back = until(port, lambda told: told["health"]["device_lost"] is None and told["house"] == "playing")
    assert "The engine writes nothing." not in heard_again_and_ended(server, daemon, port, back["playhead_s"])


@pytest.mark.long
def test_a_player_that_crashes_is_replaced(server: SoundServer, daemon: subprocess.Popen[str], port: int) -> None:
    until(port, lambda told: (told["playhead_s"] or 0.0) > 1.0)
    (player,) = players(daemon.pid)
    os.kill(player, signal.SIGKILL)
    until(
        port,
        lambda told: told["health"]["device_lost"] == "The process that plays on the sound device ended unexpectedly.",
    )
    until(port, lambda told: told["health"]["device_lost"] is None)
    (another,) = players(daemon.pid)
    assert another != player


@pytest.mark.parametrize(
    "befalls",
    [
        pytest.param(lambda server: None, id="plays"),
        pytest.param(SoundServer.hang, id="hangs", marks=pytest.mark.long),
    ],
)
def test_nothing_plays_on_where_the_daemon_was_killed(
    server: SoundServer, daemon: subprocess.Popen[str], port: int, befalls: Callable[[SoundServer], None]
) -> None:
    until(port, lambda told: (told["playhead_s"] or 0.0) > 1.0)
    (player,) = players(daemon.pid)
    befalls(server)
    daemon.kill()
    assert ends(player)


@pytest.mark.parametrize(
    "stalls_first",
    [
        pytest.param(False, id="killed"),
        pytest.param(True, id="stalls, then killed", marks=pytest.mark.long),
    ],
)
def test_a_low_tone_does_not_click_where_its_sender_ends(server: SoundServer, *, stalls_first: bool) -> None:
    """A click would pass the cap on LAFmax: weightings take a low tone away, and give it back where it breaks off."""

    def fallen_silent() -> bool:
        recent = server.captured(path)[:, -24_000:]
        return recent.shape[1] == 24_000 and not recent.any()

    with server.recording() as path:
        sender = subprocess.Popen(
            [sys.executable, "-c", PLAY_A_LOW_TONE], env=server.environment, stdout=subprocess.PIPE, text=True
        )
        assert sender.stdout is not None
        for _ in range(30):
            sender.stdout.readline()
        if stalls_first:
            sender.send_signal(signal.SIGSTOP)
            wait_for(fallen_silent)
            sender.send_signal(signal.SIGCONT)
            for _ in range(20):
                sender.stdout.readline()
        (player,) = players(sender.pid)
        sender.kill()
        sender.communicate()
        wait_for(fallen_silent)
        assert ends(player)
    heard = server.captured(path).astype(np.float64)
    loudest = np.max(np.abs(heard))
    assert loudest > 0.01
    assert np.max(np.abs(np.diff(heard, axis=1))) < 0.01 * loudest, "of the tone: a fifth of that"
    assert fast_maximum_db(heard[0] + heard[1], "A") <= -32.0 + 0.005


def ends(process: int) -> bool:
    """Waits until it has; the test fails where that takes too long."""
    wait_for(lambda: not Path(f"/proc/{process}").exists())
    return True


def wait_for(true: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 60.0
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.02)


def test_the_daemon_survives_a_server_that_is_killed_and_comes_back(
    server: SoundServer, daemon: subprocess.Popen[str], port: int
) -> None:
    until(port, lambda told: (told["playhead_s"] or 0.0) > 1.0)
    server.kill()
    lost = until(port, lambda told: told["health"]["device_lost"] is not None)
    assert lost["performance"] == "first-batch"
    server.start()
    back = until(port, lambda told: told["health"]["device_lost"] is None and told["house"] == "playing")
    assert back["performance"] == "first-batch"
    assert back["playhead_s"] > lost["playhead_s"], "the piece goes on while nobody hears it"
    assert "Traceback" not in heard_again_and_ended(server, daemon, port, back["playhead_s"])


def heard_again_and_ended(server: SoundServer, daemon: subprocess.Popen[str], port: int, since_s: float) -> str:
    """Asserts that two seconds of the piece are heard, and that the daemon ends well; what it told until then."""
    with server.recording() as path:
        until(port, lambda told: told["playhead_s"] > since_s + 2)
    daemon.send_signal(signal.SIGTERM)
    _, errors = daemon.communicate(timeout=200)
    assert np.abs(server.captured(path)).max() > 0.001, "it is heard again"
    assert daemon.returncode == 0, errors
    return errors
