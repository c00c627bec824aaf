"""A virtual machine of a kernel that runs as an ordinary process: User Mode Linux, at nearly the speed of the real one.

It has clocks of its own, which adjtimex(2) leads, and a network of its own; its files are those of this machine, to be
read, and one folder to be written. A crystal of its own comes from `led_clock.py`, which stands under the kernel here.
The one thing that all such machines and this one share is the processor's counter, so that tells how their clocks are
apart. Debian package: user-mode-linux, for x86-64 alone.
"""

from __future__ import annotations

import ctypes
import mmap
import os
import signal
import subprocess
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.machine.led_clock import LedClock

KERNEL = "linux.uml"
_BEGIN = """#!/bin/sh
export PATH={path} HOME=/root LC_ALL=C.UTF-8
mount -t proc proc /proc
mount -t sysfs sys /sys
for place in /tmp /run; do mount -t tmpfs none $place; done
mkdir -p /dev/shm {folder}
mount -t tmpfs none /dev/shm
mount -t hostfs none {folder} -o {folder}
exec >{folder}/said.txt 2>&1
ip link set lo up
ip address add {address} dev vec0
ip link set vec0 up
{command}
"""
_READ_COUNTER = bytes.fromhex("0f31 48c1e220 4809d0 c3")  # rdtsc; shl rdx, 32; or rax, rdx; ret


class UserModeMachine:
    """One run of it. folder: its place, the same in both machines.

    within: a command that makes it a member of a network namespace, where `link` is its end of a cable; its address is
    not that of the namespace. command: what its shell does.
    """

    def __init__(
        self, folder: Path, clock: LedClock, within: Sequence[str], link: str, address: str, command: str
    ) -> None:
        init = folder / "init.sh"
        path = os.environ["PATH"]
        init.write_text(_BEGIN.format(path=path, folder=folder, address=address, command=command), encoding="utf-8")
        init.chmod(0o700)
        machine = ["root=/dev/root", "rootfstype=hostfs", "rootflags=/", "ro", "mem=640M", f"init={init}"]
        cable = f"vec0:transport=raw,ifname={link},depth=128"
        with (folder / "console.txt").open("wb") as console:
            self._process = subprocess.Popen(
                [*within, KERNEL, *machine, cable, "con=null", "con0=null,fd:1"],
                env=clock.environment,
                stdin=subprocess.DEVNULL,
                stdout=console,
                stderr=console,
                start_new_session=True,
            )

    def cut(self) -> None:
        """No more power."""
        os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()


class Counter:
    """The processor's counter, which no kernel leads (the invariant TSC of the manuals of AMD and Intel)."""

    def __init__(self) -> None:
        self._page = mmap.mmap(-1, mmap.PAGESIZE, prot=mmap.PROT_READ | mmap.PROT_WRITE | mmap.PROT_EXEC)
        self._page.write(_READ_COUNTER)
        self._read = ctypes.CFUNCTYPE(ctypes.c_uint64)(ctypes.addressof(ctypes.c_char.from_buffer(self._page)))

    def look(self) -> Look:
        """The best of some readings."""
        found = []
        for _ in range(100):
            before, boot_s, after = self._read(), time.clock_gettime(time.CLOCK_BOOTTIME), self._read()
            found.append((after - before, Look(boot_s, (before + after) // 2)))
        return min(found, key=lambda one: one[0])[1]


@dataclass(frozen=True, slots=True)
class Look:
    """What this machine's CLOCK_BOOTTIME and the counter read at one moment."""

    boot_s: float
    ticks: int

    def boot_s_at(self, ticks: float, later: Look) -> float:
        """CLOCK_BOOTTIME when the counter read that."""
        return self.boot_s + (ticks - self.ticks) * (later.boot_s - self.boot_s) / (later.ticks - self.ticks)
