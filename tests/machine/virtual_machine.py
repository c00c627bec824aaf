"""A computer that exists only as a process: qemu, which emulates the processor too, and its agent within.

Its time is its own: two nanoseconds an instruction, and none while it waits. So it is always a computer of the same
speed, whatever else the real one does, and what it does in real time never comes late for want of a processor.

Debian package: qemu-system-x86. The guest runs qemu-guest-agent; what is said to it is JSON, a line each.
Source: QEMU Guest Agent Protocol Reference (guest-sync, guest-exec, guest-exec-status); qemu(1): -icount, -rtc.
"""

from __future__ import annotations

import base64
import json
import signal
import socket
import subprocess
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

BOOT_S = 1_200.0
COMMAND_S = 1_800.0
"""Both by the clock of the real computer, which may be busy: a house has needed 600 s to play."""
_AGENT = "org.qemu.guest_agent.0"


@dataclass(frozen=True, slots=True)
class Machine:
    """What it boots from."""

    kernel: Path
    initrd: Path
    disks: Sequence[Path]
    """The first holds the root file system."""
    own_time: bool = True
    """Whether its time is its own; if not it is that of the real computer, and all that it does goes faster."""


class VirtualMachine:
    """One run of a machine, from power on to power off."""

    def __init__(self, machine: Machine, folder: Path, at: datetime, kernel_options: str) -> None:
        self._socket = folder / "agent.sock"
        self._console = folder / "console.txt"
        self.serial_line = folder / "serial.txt"
        """What the guest has sent to /dev/ttyS1."""
        serial_lines = self._console, self.serial_line
        self._process = subprocess.Popen(_command(machine, self._socket, serial_lines, at, kernel_options))
        self._agent = socket.socket(socket.AF_UNIX)

    def wait(self) -> None:
        """Until its agent answers. Raises TimeoutError with the end of what the console shows."""
        deadline = time.monotonic() + BOOT_S
        while time.monotonic() < deadline and self._process.poll() is None:
            with suppress(OSError, ValueError):
                self._agent.close()
                self._agent = socket.socket(socket.AF_UNIX)
                self._agent.settimeout(5)
                self._agent.connect(str(self._socket))
                number = time.monotonic_ns() & 0xFFFF_FFFF
                if self._ask("guest-sync", id=number) == number:
                    self._agent.settimeout(COMMAND_S)
                    return
            time.sleep(0.5)
        raise TimeoutError(f"It does not come up: {self._console.read_text(errors='replace')[-2_000:]}")

    def run(self, command: str, *, check: bool = True) -> str:
        """Have the guest's shell do something as root; gives what it printed.

        Raises RuntimeError where that fails and `check`, TimeoutError where it takes longer than COMMAND_S.
        """
        asked = {"path": "/bin/sh", "arg": ["-c", command], "capture-output": True}
        started = self._ask("guest-exec", **asked)
        deadline = time.monotonic() + COMMAND_S
        while not (status := self._ask("guest-exec-status", pid=started["pid"]))["exited"]:
            if time.monotonic() > deadline:
                raise TimeoutError(f"{command} does not end")
            time.sleep(0.2)
        out, errors = (base64.b64decode(status.get(key, "")).decode() for key in ("out-data", "err-data"))
        if check and status.get("exitcode") != 0:
            raise RuntimeError(f"{command}: {status}\n{out}\n{errors}")
        return out

    @contextmanager
    def paused(self) -> Iterator[None]:
        """It stands still, and takes none of the real computer's processor; one with a time of its own cannot tell."""
        self._process.send_signal(signal.SIGSTOP)
        try:
            yield
        finally:
            self._process.send_signal(signal.SIGCONT)

    def cut_copy(self, disks: Sequence[Path], into: Path) -> None:
        """What a cut at this moment would leave on disks: what the guest has written out so far. It runs on.

        into: a folder, made for it; there they have the same names.
        """
        into.mkdir()
        with self.paused():
            subprocess.run(["cp", "--sparse=always", *disks, into], check=True)

    def shut_down(self) -> None:
        """As for a restart by a person: the guest ends everything first, and then is off."""
        self.run("systemctl --no-block poweroff")
        self._process.wait(COMMAND_S)

    def cut(self) -> None:
        """No more power, at once: what the guest had not flushed to its disk is lost."""
        self._process.kill()
        self._process.wait()
        self._agent.close()

    def _ask(self, what: str, **arguments: Any) -> Any:
        self._agent.sendall(json.dumps({"execute": what, "arguments": arguments}).encode() + b"\n")
        answer = b""
        while not answer.endswith(b"\n"):
            if not (piece := self._agent.recv(65_536)):
                raise OSError("The agent is gone")
            answer += piece
        told = json.loads(answer.splitlines()[-1].lstrip(b"\xff"))
        if "return" not in told:
            raise ValueError(f"{what}: {told}")
        return told["return"]


@contextmanager
def running(machine: Machine, folder: Path, at: datetime, kernel_options: str) -> Iterator[VirtualMachine]:
    """A machine that is up; its power is cut at the end.

    at: where the clock on its board stands, in UTC. kernel_options: rw or ro, for its root file system, and others.
    """
    one = VirtualMachine(machine, folder, at, kernel_options)
    try:
        one.wait()
        yield one
    finally:
        one.cut()


def _command(
    machine: Machine, agent: Path, serial_lines: Sequence[Path], at: datetime, kernel_options: str
) -> list[str | Path]:
    # The disks are memory of the guest: there is nothing to wait for, so its clock does not run on while the real disk
    # is busy. A guest that waits is given the time up to its next timer at once, and a real disk that takes 10 ms was
    # seconds to it. What it has written stays with the real kernel when qemu is killed.
    disks = [
        part
        for number, disk in enumerate(machine.disks)
        for part in (
            *("-object", f"memory-backend-file,id=disk{number},share=on,mem-path={disk},size={disk.stat().st_size}"),
            *("-device", f"nvdimm,memdev=disk{number}"),
        )
    ]
    return [
        "qemu-system-x86_64",
        *("-machine", "pc,nvdimm=on", "-accel", "tcg", "-cpu", "max", "-smp", "1", "-m", "768M,slots=4,maxmem=16G"),
        *(("-icount", "shift=1,sleep=off") if machine.own_time else ()),
        *("-rtc", f"clock=vm,base={at:%Y-%m-%dT%H:%M:%S}"),
        *("-nodefaults", "-display", "none", "-nic", "none", "-no-reboot"),
        *("-kernel", machine.kernel, "-initrd", machine.initrd),
        *("-append", f"root=LABEL=system console=ttyS0 loglevel=4 panic=1 {kernel_options}"),
        *disks,
        *(part for line in serial_lines for part in ("-serial", f"file:{line}")),
        *("-device", "virtio-serial"),
        *("-chardev", f"socket,path={agent},server=on,wait=off,id=agent"),
        *("-device", f"virtserialport,chardev=agent,name={_AGENT}"),
    ]
