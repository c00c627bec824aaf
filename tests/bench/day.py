"""Does a day's play need more memory than an hour's: python -m tests.bench.day --hours 24

The daemon's own loop and threads, on clocks that go as fast as the engine makes frames, into the silent sink. It plays
the performances of Night Dough all day, by a piece of few nodes, so that a day takes half an hour. Prints the resident
memory as the daemon tells it, once a simulated hour, and with --trace where Python's own memory grew.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import selectors
import sys
import tempfile
import threading
import time
import tracemalloc
from datetime import UTC, datetime, tzinfo
from math import inf
from pathlib import Path

import apscheduler.schedulers.base as scheduler

from residue.watchdog.machine import memory_bytes

_BEGAN_S, _WALL_S = time.monotonic(), time.time()
_monotonic, _sleep = time.monotonic, time.sleep
_LOOK_S = 0.001

PIECE = """
title = "A Day of Dough"
outputs = ["left", "right", "floor"]
closing_fade_s = 2

[node.arm]
kind = "channel"
channel = "forearm_left"

[node.raw]
kind = "sound"
input = "arm"

[node.voice]
kind = "highpass"
input = "raw"
cutoff_hz = 30

[node.out]
kind = "output"
input = "voice"
to = ["left", "right", "floor"]
gain_db = -10
"""


class FastClocks:
    """The clocks of a process. They go as the machine's do, and ahead by all that the engine does not wait for."""

    def __init__(self) -> None:
        self._ahead_s = 0.0

    def since_s(self) -> float:
        """Simulated seconds since the beginning."""
        return _monotonic() - _BEGAN_S + self._ahead_s

    def wait(self, seconds: float) -> None:
        """The engine waits for nothing, and its time passes at once; all others wait until it has passed."""
        if threading.current_thread().name == "engine":
            self._ahead_s += seconds
            _sleep(0.0)
            return
        until_s = self.since_s() + seconds
        while self.since_s() < until_s:
            _sleep(_LOOK_S)

    def take(self) -> None:
        """Puts them in the place of the machine's; before any module takes those as defaults."""
        clocks = self

        class FastTime(datetime):
            @classmethod
            def now(cls, tz: tzinfo | None = None) -> datetime:  # type: ignore[override]
                return datetime.fromtimestamp(_WALL_S + clocks.since_s(), tz)

        class FastSelector(selectors.DefaultSelector):
            def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
                until_s = clocks.since_s() + (inf if timeout is None else timeout)
                while not (found := super().select(_LOOK_S if timeout is None or timeout > 0 else 0)):
                    if clocks.since_s() >= until_s:
                        break
                return found

        time.monotonic = lambda: _BEGAN_S + self.since_s()
        time.time = lambda: _WALL_S + self.since_s()
        time.sleep = self.wait  # type: ignore[assignment]
        scheduler.datetime = FastTime
        asyncio.SelectorEventLoop.__init__.__defaults__ = (FastSelector(),)

        from residue import processes
        from residue.runtime.system import clock

        processes.keep_time = lambda priority: None  # an engine that never waits would stop the machine
        clock.SystemClock.now = lambda _self: FastTime.now(UTC)  # type: ignore[method-assign,assignment]


def watch(clocks: FastClocks, hours: int, *, traced: bool) -> None:
    """A line each simulated hour, from a thread of its own."""
    before: tracemalloc.Snapshot | None = None
    for hour in range(hours + 1):
        while clocks.since_s() < hour * 3_600 + 300:
            _sleep(0.2)
        words = f"{hour:3} h | {memory_bytes() / 1e6:6.1f} MB | {len(gc.get_objects()):7} objects"
        if traced:
            gc.collect()
            now = tracemalloc.take_snapshot().filter_traces(
                [tracemalloc.Filter(inclusive=False, filename_pattern=tracemalloc.__file__)]
            )
            if before is not None:
                for line in now.compare_to(before, "lineno")[:8]:
                    words += f"\n        {line}"
            before = before if hour > 1 else now
        sys.stdout.write(words + "\n")
        sys.stdout.flush()


def main() -> None:
    """Runs the day."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=int, default=24)
    parser.add_argument("--trace", action="store_true")
    parser.add_argument("--piece", type=Path, help="another piece for these performances")
    asked = parser.parse_args()
    clocks = FastClocks()
    clocks.take()
    from residue.installation.load import load
    from residue.runtime.daemon.assembly import Places
    from residue.runtime.daemon.daemon import run
    from tests.bench.speed import open_now

    with tempfile.TemporaryDirectory() as temporary:
        folder = open_now(Path("archives/night-dough"), Path(temporary) / "installation")
        (folder / "piece.toml").unlink()
        (folder / "piece.toml").write_text(asked.piece.read_text() if asked.piece else PIECE, encoding="utf-8")
        room = (folder / "room.toml").read_text(encoding="utf-8")
        (folder / "room.toml").unlink()
        (folder / "room.toml").write_text(f"{room}\n[control]\nport = 47391\n", encoding="utf-8")
        state = Path(temporary) / "state"
        state.mkdir()
        if asked.trace:
            tracemalloc.start()
        threading.Thread(target=watch, args=(clocks, asked.hours), kwargs={"traced": asked.trace}, daemon=True).start()
        places = Places(device="silent", state=state, cache=Path(temporary) / "cache")
        sys.exit(run(load(folder), places, for_s=asked.hours * 3_600.0 + 600.0))


if __name__ == "__main__":
    main()
