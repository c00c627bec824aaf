"""A daemon as a process of its own, with a socket where the service manager would listen."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from collections.abc import Mapping, Sequence
from contextlib import closing
from pathlib import Path

from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder

from tests.runtime.kitchen import build

AS_AT_A_TERMINAL = ("env", "--default-signal=INT,HUP,TERM")
"""Before a command: who starts the tests may have these signals passed over, as nohup does."""


def free_port() -> int:
    with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


class Daemon:
    """One installation and the processes that run it, one after the other."""

    def __init__(self, folder: Path, duration_s: float = 30.0) -> None:
        self.folder = folder
        self.port = free_port()
        self.installation = build(folder, self.port, duration_s)
        self.state = folder / "state"
        self.cache = folder / "cache"
        self.wav = folder / "hall.wav"
        self.notify = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.notify.bind(str(folder / "notify"))
        self.notify.settimeout(200)
        self.process: subprocess.Popen[str] | None = None

    def start(
        self,
        *options: str,
        within: Sequence[str] = (),
        environment: Mapping[str, str] = os.environ,
    ) -> subprocess.Popen[str]:
        """within: a command that the daemon's own is given to, such as strace."""
        environment = {**environment, "NOTIFY_SOCKET": str(self.folder / "notify")}
        environment["XDG_CACHE_HOME"] = str(self.cache)
        environment["XDG_RUNTIME_DIR"] = str(self.folder / "run")
        command = [sys.executable, "-m", "residue", "run", str(self.installation), "--state", str(self.state)]
        self.process = subprocess.Popen(
            [*AS_AT_A_TERMINAL, *within, *command, *(options or ("--device", f"file:{self.wav}"))],
            env=environment,
            stdin=subprocess.DEVNULL,  # at a terminal a person would be taken to be there
            stderr=subprocess.PIPE,
            text=True,
        )
        return self.process

    def told(self, wanted: str) -> str:
        """The first message to the service manager in which this stands."""
        while wanted not in (message := self.notify.recv(4_096).decode()):
            pass
        return message

    def ask(self, path: str, *arguments: float | str) -> tuple[str, str]:
        builder = OscMessageBuilder(path)
        for argument in arguments:
            builder.add_arg(argument)
        with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as asking:
            asking.connect(("127.0.0.1", self.port))
            asking.settimeout(100)
            asking.send(builder.build().dgram)
            answer = OscMessage(asking.recv(65_536))
        return answer.address, answer.params[0]

    def kill(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.communicate()

    def end(self) -> None:
        self.kill()
        if self.process is not None and self.process.stderr is not None:
            self.process.stderr.close()
        self.notify.close()
