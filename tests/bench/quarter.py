"""Both demos on a quarter of a processor: python -m tests.bench.quarter --seconds 120 [INSTALLATION ...]

One pinned core and a control group of the kernel with a quota (version 1 or 2, as root) stand in for a small computer;
without real-time priority, which no quota holds. Nothing is known of the performances when the house opens, so the
planner works in the same quarter while the first of them plays. Prints late blocks, and when the programme was planned.
Other processes of the machine get little of that core meanwhile.
"""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from residue.installation.load import load
from tests.bench.speed import DEMOS, open_now
from tests.runtime.asking import until

GROUPS = Path("/sys/fs/cgroup")
CORE = 0
PERIOD_US = 100_000
"""As of CPUQuota in a unit."""
LOOK_S = 5.0


@contextmanager
def group(share: float) -> Iterator[Path]:
    """A control group that gets so much of a processor; the file into which a process writes itself."""
    version_1 = GROUPS / "cpu"
    folder = (version_1 if version_1.exists() else GROUPS) / f"residue-{os.getpid()}"
    folder.mkdir()
    quota_us = round(share * PERIOD_US)
    try:
        if version_1.exists():
            (folder / "cpu.cfs_period_us").write_text(str(PERIOD_US))
            (folder / "cpu.cfs_quota_us").write_text(str(quota_us))
            (folder / "cpu.shares").write_text("262144")
        else:
            (folder / "cpu.max").write_text(f"{quota_us} {PERIOD_US}")
            (folder / "cpu.weight").write_text("10000")
        yield folder / "cgroup.procs"
    finally:
        folder.rmdir()


@contextmanager
def daemon(folder: Path, into: Path, procs: Path) -> Iterator[None]:
    """Plays silently, but in real time, as a member of the group."""
    joins = f'echo $$ > {procs}; exec taskset -c {CORE} setpriv --bounding-set=-sys_nice --inh-caps=-sys_nice "$@"'
    command = [
        sys.executable,
        "-m",
        "residue",
        "run",
        str(folder),
        "--device",
        "silent",
        "--state",
        str(into / "state"),
    ]
    environment = {**os.environ, "XDG_CACHE_HOME": str(into / "cache")}
    process = subprocess.Popen(["sh", "-c", joins, "sh", *command], env=environment, stderr=subprocess.DEVNULL)
    try:
        yield
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(timeout=120)


def heard(folder: Path, seconds: float, share: float) -> str:
    """What happened in so many seconds of sound."""
    with (
        tempfile.TemporaryDirectory() as temporary,
        group(share) as procs,
        daemon(open_now(folder, Path(temporary) / folder.name), Path(temporary), procs),
    ):
        port, began_s = load(folder).room.control.port, time.monotonic()
        told = until(port, lambda told: told["performance"] is not None, patience_s=1_200)
        sounds_s, planned_s, before = time.monotonic() - began_s, None, _late(told)
        while (now_s := time.monotonic() - began_s - sounds_s) < seconds:
            told = until(port, lambda told: True)
            if planned_s is None and told["health"]["planning"] is None:
                planned_s = now_s
            time.sleep(LOOK_S)
    late = f"{before} late blocks in the silence before, {_late(told) - before} in {now_s:.0f} s of sound"
    planned = "not planned whole in that time" if planned_s is None else f"planned {planned_s:.0f} s after that"
    return f"sounds after {sounds_s:.0f} s, {late}, {planned}"


def _late(told: dict[str, Any]) -> int:
    late: int = told["health"]["late_blocks"]
    return late


def main() -> None:
    """Prints a line for each."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--share", type=float, default=0.25)
    parser.add_argument("installation", nargs="*", type=Path, default=DEMOS)
    asked = parser.parse_args()
    for folder in asked.installation:
        sys.stdout.write(f"{folder.name}: {heard(folder, asked.seconds, asked.share)}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
