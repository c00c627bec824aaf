"""How fast, how soon, how large: python -m tests.bench.speed [INSTALLATION ...]

For each installation: how many times faster than real time it renders on one core, before and through the cap, in the
large blocks of a render and in those of the engine; then, with everything cached, the time from the start of the daemon
to its first frame and to the first frame of the performance, its resident memory, how much that grows in a minute, and
its share of one processor.
Figures compare within one run only: the machine may be busy.
"""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from residue.installation.load import load
from residue.runtime.daemon.assembly import AHEAD_BLOCKS
from residue.runtime.engine import engine
from residue.runtime.offline.rendering import rendered
from residue.runtime.planning import preparation
from residue.runtime.planning.preparation import open_performance
from tests.runtime.asking import until

EXCERPT_S = 120
WATCH_S = 60
BLOCKS = {"a render": preparation.BLOCK_FRAMES, "the engine": AHEAD_BLOCKS * engine.BLOCK_FRAMES}
DEMOS = [Path("archives/night-dough"), Path("archives/oven-watch")]


def times_real_time(folder: Path, cache: Path, gain_db: float | None, block_frames: int) -> float:
    """Of the first minutes of the first performance."""
    installation = load(folder)
    performance = open_performance(installation, installation.hours.programme.names[0], cache)
    began_s, frames = time.process_time(), 0
    for block in rendered(installation, performance, block_frames, gain_db):
        frames += block.shape[1]
        if frames >= EXCERPT_S * 48_000:
            break
    return frames / 48_000 / (time.process_time() - began_s)


def open_now(folder: Path, into: Path) -> Path:
    """The same installation, open at every hour."""
    into.mkdir()
    for path in folder.iterdir():
        (into / path.name).symlink_to(path.resolve())
    hours = (folder / "hours.toml").read_text(encoding="utf-8")
    (into / "hours.toml").unlink()
    days = "".join(f'{day} = ["00:00-24:00"]\n' for day in ("mon", "tue", "wed", "thu", "fri", "sat", "sun"))
    before, _, after = hours.partition("[weekly]\n")
    kept = after[after.index("[") :] if "\n[" not in after else after[after.index("\n[") :]
    (into / "hours.toml").write_text(f"{before}[weekly]\n{days}{kept}", encoding="utf-8")
    return into


def seconds_of_processor(process: int) -> float:
    """User and system time of a process so far."""
    fields = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def run_daemon(folder: Path, cache: Path, state: Path) -> subprocess.Popen[bytes]:
    """Silent, but in real time."""
    command = [sys.executable, "-m", "residue", "run", str(folder), "--device", "silent", "--state", str(state)]
    environment = {**os.environ, "XDG_CACHE_HOME": str(cache)}
    return subprocess.Popen(command, env=environment, stderr=subprocess.DEVNULL)


def watch(folder: Path, cache: Path, state: Path) -> str:
    """Start twice, the second time from the cache, and look."""
    port = load(folder).room.control.port
    with run_daemon(folder, cache, state) as first:
        until(port, lambda told: told["performance"] is not None, patience_s=1_200)
        first.send_signal(signal.SIGTERM)
    began_s = time.monotonic()
    with run_daemon(folder, cache, state) as second:
        until(port, lambda told: told["health"]["frames"] > 0)
        frame_s = time.monotonic() - began_s
        until(port, lambda told: told["performance"] is not None)
        sound_s = time.monotonic() - began_s
        time.sleep(10)  # the planner's process checks the bags again and ends
        before, processor_s = until(port, lambda told: True), seconds_of_processor(second.pid)
        time.sleep(WATCH_S)
        after = until(port, lambda told: True)
        share = (seconds_of_processor(second.pid) - processor_s) / WATCH_S
        second.send_signal(signal.SIGTERM)
    grown = after["health"]["memory_bytes"] - before["health"]["memory_bytes"]
    return (
        f"first frame {frame_s:.1f} s, first sound {sound_s:.1f} s, {after['health']['memory_bytes'] / 1e6:.0f} MB, "
        f"grown {grown / 1e6:+.1f} MB in {WATCH_S} s, {share:.1%} of a processor, "
        f"{after['health']['late_blocks']} late blocks"
    )


def main() -> None:
    """Print it all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("installation", nargs="*", type=Path, default=DEMOS)
    with tempfile.TemporaryDirectory() as temporary:
        cache = Path(temporary) / "cache"
        for folder in parser.parse_args().installation:
            for whose, frames in BLOCKS.items():
                before, through = (times_real_time(folder, cache / "residue", gain, frames) for gain in (None, 0.0))
                speeds = f"{before:.0f} x real time before the cap, {through:.0f} x through it"
                sys.stdout.write(f"{folder.name}: {speeds}, in blocks of {whose}\n")
            opened = open_now(folder, Path(temporary) / folder.name)
            sys.stdout.write(f"{folder.name}: {watch(opened, cache, Path(temporary) / 'state')}\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
