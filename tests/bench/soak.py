"""The daemon in real time on a real sound server, the processor loaded: python -m tests.bench.soak --minutes 10

Prints a line a minute, then underflows, growth of memory, drift of the frames played against the machine's clock, and
the share of one processor, both of the daemon and what plays for it. Exit status 1 where a block came late.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from residue.watchdog.machine import memory_bytes
from tests.bench.speed import open_now, seconds_of_processor
from tests.runtime.asking import until
from tests.sound_server import SoundServer, players, sound_server

INSTALLATION = Path("archives/night-dough")
CHANNELS = 4
LOOK_S = 1.0
SETTLED_S = 10.0
"""Memory and drift are counted from here on: before it, buffers fill and the programme is planned."""


@dataclass(frozen=True, slots=True)
class Look:
    """What the daemon was at one moment, with the process that plays for it."""

    at_s: float
    frames: int
    late_blocks: int
    memory_bytes: int
    processor_s: float
    house: str


def spin() -> None:
    """Takes a whole processor for as long as it lives."""
    while True:
        pass


@contextmanager
def load_on_every_processor() -> Iterator[None]:
    """One busy process for each."""
    spinning = [multiprocessing.Process(target=spin, daemon=True) for _ in range(os.cpu_count() or 1)]
    for one in spinning:
        one.start()
    try:
        yield
    finally:
        for one in spinning:
            one.kill()


@contextmanager
def daemon(folder: Path, server: SoundServer, port: int) -> Iterator[int]:
    """Plays on the server; gives its process id once the programme is planned and under way."""
    installation = open_now(INSTALLATION, folder / "installation")
    room = (installation / "room.toml").read_text(encoding="utf-8")
    (installation / "room.toml").unlink()
    (installation / "room.toml").write_text(f"{room}\n[control]\nport = {port}\n", encoding="utf-8")
    command = [sys.executable, "-m", "residue", "run", str(installation), "--device", "pulse"]
    environment = {**server.environment, "XDG_CACHE_HOME": str(folder / "cache")}
    process = subprocess.Popen([*command, "--state", str(folder / "state")], env=environment, stderr=subprocess.DEVNULL)
    try:
        until(port, lambda told: told["house"] == "playing" and told["health"]["planning"] is None, 600.0)
        yield process.pid
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(timeout=30)


def look(port: int, process_id: int) -> Look:
    told = until(port, lambda told: True)
    health, processes = told["health"], [process_id, *players(process_id)]
    return Look(
        at_s=time.monotonic(),
        frames=health["frames"],
        late_blocks=health["late_blocks"],
        memory_bytes=sum(map(memory_bytes, processes)),
        processor_s=sum(map(seconds_of_processor, processes)),
        house=told["house"],
    )


def drift_ppm(looks: list[Look]) -> float:
    """Frames played against the machine's clock, by a straight line through all looks."""
    at_s = np.array([one.at_s for one in looks])
    played_s = np.array([one.frames for one in looks]) / 48_000
    return float((np.polyfit(at_s - at_s[0], played_s, 1)[0] - 1.0) * 1e6)


def soak(minutes: float, port: int) -> int:
    """Returns how many blocks came late."""
    with (
        tempfile.TemporaryDirectory() as temporary,
        sound_server(Path(temporary), CHANNELS) as server,
        daemon(Path(temporary), server, port) as process_id,
        load_on_every_processor(),
    ):
        time.sleep(SETTLED_S)
        looks = [look(port, process_id)]
        while looks[-1].at_s - looks[0].at_s < 60 * minutes:
            time.sleep(LOOK_S)
            looks.append(look(port, process_id))
            if len(looks) % 60 == 0:
                _say(looks[-1].house, looks)
    _say("whole", looks)
    return looks[-1].late_blocks


def _say(what: str, looks: list[Look]) -> None:
    first, last = looks[0], looks[-1]
    over_s = last.at_s - first.at_s
    sys.stdout.write(
        f"{what:8} {over_s / 60:5.1f} min | underflows {last.late_blocks} | memory {last.memory_bytes / 1e6:.1f} MB, "
        f"{(last.memory_bytes - first.memory_bytes) / 1e6:+.1f} | drift {drift_ppm(looks):+.0f} ppm | "
        f"processor {(last.processor_s - first.processor_s) / over_s:.1%}\n"
    )
    sys.stdout.flush()


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--port", type=int, default=47_322)
    arguments = parser.parse_args()
    sys.exit(soak(arguments.minutes, arguments.port) > 0)
