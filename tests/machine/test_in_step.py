"""Two daemons in step on a real sound server, each in a network namespace of its own, which has no network.

Both play into one sink, on channels of their own, so that one recording shows how far they are apart to the frame. The
null sink is fast by some 50 ppm, as it rounds its pieces of 20 ms to microseconds, so the servo has work to do.
`python -m tests.machine.test_in_step SECONDS` prints.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.machine.needs import need
from tests.runtime.running import Daemon
from tests.sound_server import sound_server

pytestmark = [pytest.mark.machine, pytest.mark.timeout(900)]

RATE_HZ = 48_000
WINDOW_S, EVERY_S = 2.0, 4.0
FINER = 8
ALONE = ("unshare", "--net")
APART_S = 7.3
"""One is started so much later than the other; an odd time, so that nothing agrees by chance."""


def room(folder: Path, number: int) -> Daemon:
    """An installation whose left output is a channel of its own; the right ones share one."""
    folder.mkdir()
    daemon = Daemon(folder, 60.0)
    file = daemon.installation / "room.toml"
    text = file.read_text(encoding="utf-8").replace("device_channel = 2", "device_channel = 4")
    file.write_text(
        text.replace("device_channel = 1", f"device_channel = {number}") + "\n[in_step]\n", encoding="utf-8"
    )
    return daemon


def played(folder: Path, seconds: float, killed_after_s: float) -> tuple[NDArray[np.float32], float]:
    """(channels, frames) of what both played, and when in it one was killed, to be started again after five seconds."""
    rooms = [room(folder / f"room {number}", number) for number in (1, 2)]
    bags = [one.installation / "performances" for one in rooms]
    shutil.rmtree(bags[1])
    shutil.copytree(bags[0], bags[1])
    for one in rooms:  # what is not known yet is played alone
        checking = [sys.executable, "-m", "residue", "check", str(one.installation)]
        subprocess.run(checking, env={**os.environ, "XDG_CACHE_HOME": str(one.cache)}, capture_output=True, timeout=300)
    try:
        with sound_server(folder, 4) as server, server.recording() as path:
            for one in rooms:
                one.start("--device", "pulse", environment=server.environment, within=ALONE)
                time.sleep(APART_S)
            time.sleep(killed_after_s)
            rooms[1].kill()
            killed_s = path.stat().st_size / (16 * RATE_HZ)
            time.sleep(5.0)
            rooms[1].start("--device", "pulse", environment=server.environment, within=ALONE)
            time.sleep(seconds - killed_after_s)
            sound = server.captured(path)
    finally:
        for one in rooms:
            one.end()
    return sound, killed_s


def apart_ms(sound: NDArray[np.float32]) -> Iterator[tuple[float, float]]:
    """When both sound, and how much later the second is: where their correlation is highest, if they are alike."""
    frames = round(WINDOW_S * RATE_HZ)
    for start in range(0, sound.shape[1] - frames, round(EVERY_S * RATE_HZ)):
        one, other = sound[:2, start : start + frames].astype(np.float64)
        power = float(np.sum(one * one) * np.sum(other * other))
        if power < 1e-6:
            continue
        length = 1 << (2 * frames).bit_length()
        spectrum = np.fft.rfft(other, length) * np.conj(np.fft.rfft(one, length))
        alike = np.fft.irfft(spectrum, length * FINER) * FINER
        place = int(np.argmax(alike))
        place -= length * FINER if place > length * FINER // 2 else 0
        if alike.max() / np.sqrt(power) > 0.95:
            yield start / RATE_HZ, place / FINER / RATE_HZ * 1e3


def measured(seconds: float) -> tuple[list[tuple[float, float]], float]:
    with TemporaryDirectory() as folder:
        sound, killed_s = played(Path(folder), seconds, seconds * 0.6)
    return list(apart_ms(sound)), killed_s


def test_two_daemons_are_in_step_and_one_that_was_killed_joins_at_the_right_frame() -> None:
    need("unshare", "pulseaudio", "parec", root=True)
    found, killed_s = measured(240.0)
    later = [abs(ms) for at_s, ms in found if at_s > 60.0]
    joined = [abs(ms) for at_s, ms in found if at_s > killed_s + 10.0]
    assert len(later) > 20
    assert joined
    assert np.median(later) < 1.0
    assert np.median(joined) < 1.0


if __name__ == "__main__":
    apart, when_s = measured(float(sys.argv[1]))
    for at_s, ms in apart:
        sys.stdout.write(f"{at_s:.0f} s: {ms:+.2f} ms{' (after the kill)' if at_s > when_s else ''}\n")
