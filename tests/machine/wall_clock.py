"""Clocks that a test can set for one process, while it runs: a library that is loaded before all others."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Mapping
from pathlib import Path

_SOURCE = r"""
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <time.h>

static int (*real)(clockid_t, struct timespec *);
static volatile long *ahead; // of the wall clock, and of the time since the boot

__attribute__((constructor)) static void look_it_up(void) {
    real = dlsym(RTLD_NEXT, "clock_gettime");
    ahead = mmap(0, 2 * sizeof *ahead, PROT_READ, MAP_SHARED, open(getenv("AHEAD"), O_RDONLY), 0);
}

int clock_gettime(clockid_t which, struct timespec *now) {
    int failed = real(which, now);
    if (!failed && which == CLOCK_REALTIME) now->tv_sec += ahead[0];
    if (!failed && which == CLOCK_BOOTTIME) now->tv_sec += ahead[1];
    return failed;
}
"""


class WallClock:
    """CLOCK_REALTIME and CLOCK_BOOTTIME of whoever runs in `environment`; no other clock moves.

    Python reads them by clock_gettime(2).
    """

    def __init__(self, folder: Path) -> None:
        self._ahead = folder / "ahead"
        self._ahead.write_bytes(bytes(16))
        library = folder / "wall_clock.so"
        (folder / "wall_clock.c").write_text(_SOURCE)
        options = ["-shared", "-fPIC", "-Wall", "-Werror", "-ldl"]
        subprocess.run(["gcc", *options, "-o", str(library), str(folder / "wall_clock.c")], check=True)
        self.environment: Mapping[str, str] = {**os.environ, "LD_PRELOAD": str(library), "AHEAD": str(self._ahead)}

    def set_ahead(self, seconds: int, *, booted: int = 0) -> None:
        """From now on it shows so many seconds more than the machine's; booted: the time since the boot does."""
        with self._ahead.open("r+b") as file:  # in place: the process has it mapped
            file.write(b"".join(one.to_bytes(8, "little", signed=True) for one in (seconds, booted)))
