"""A small processor stood in for: one of this machine's, and a share of its time.

Source: the kernel's Documentation/scheduler/sched-bwc.rst and admin-guide/cgroup-v2.rst (cpu.max, cpu.weight).
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

GROUPS = Path("/sys/fs/cgroup")
PERIOD_US = 10_000
"""A share is given in each of these periods. The shorter, the more even: at 10 ms no pause is longer than that."""


@contextmanager
def share_of_a_processor(share: float) -> Iterator[Sequence[str]]:
    """The beginning of a command: what follows it has so much of the time of one processor, before all others.

    It has no right to real-time priority either: threads with one are not counted. Skips where the kernel gives none.
    """
    version_1 = (GROUPS / "cpu" / "cpu.shares").exists()
    group = (GROUPS / "cpu" if version_1 else GROUPS) / f"residue-test-{os.getpid()}"
    tools = [tool for tool in ("setpriv", "taskset") if shutil.which(tool) is None]
    quota = round(share * PERIOD_US)
    limits = (
        {"cpu.cfs_period_us": PERIOD_US, "cpu.cfs_quota_us": quota, "cpu.shares": 262_144}
        if version_1
        else {"cpu.max": f"{quota} {PERIOD_US}", "cpu.weight": 10_000}
    )
    try:
        group.mkdir()
    except OSError as error:
        pytest.skip(f"No control group of our own: {error}")
    try:
        if tools or not all((group / name).exists() for name in limits):
            pytest.skip(f"missing: {', '.join(tools) or 'the cpu controller of control groups'}")
        for name, value in limits.items():
            (group / name).write_text(str(value))
        enter = f'echo $$ > {group}/cgroup.procs && exec taskset --cpu-list "$0" setpriv --bounding-set=-sys_nice "$@"'
        yield ["sh", "-c", enter, str(min(os.sched_getaffinity(0)))]
    finally:
        group.rmdir()  # its processes have ended by then
