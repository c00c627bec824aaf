"""A machine of folders, on which the commands of a guide run one after the other as they are printed."""

from __future__ import annotations

import os
import pty
import re
import select
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from time import monotonic

from archives.generator.evenings import make
from deploy.tables import ROOT
from tests.deploy.guide import Block
from tests.runtime.running import AS_AT_A_TERMINAL, free_port

EVENING_MIN = 0.3
"""The demo's evenings, shortened: every command finds what it names, and is done in a second or two."""
_ABSOLUTE = re.compile(r"(?<![\w./$])/(?=(?:srv|var|media|opt|tmp|etc|usr/local)\b)")
_ASKS_THE_HOUSE = re.compile(r"^residue (status|hold|release|trim|next)\b")
_BAKERY_NODES = """\
Metadata-Version: 2.1
Name: bakery-nodes
Version: 1.0
"""


class PrintedMachine:
    """Folders for those of a machine: the project in opt/residue, an installation in srv/residue, a stick."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.project = root / "opt" / "residue"
        self.port = free_port()
        self.house: subprocess.Popen[bytes] | None = None
        for folder in ("srv", "var/lib/residue", "media/stick", "tmp", "home", "run", "bin"):
            (root / folder).mkdir(parents=True)
        self._project()
        self._stick()
        self._programs()

    def _project(self) -> None:
        """The project, its demo with evenings that are short and a room with a port of its own."""
        demo = self.project / "archives" / "night-dough"
        shutil.copytree(ROOT / "archives" / "night-dough", demo, ignore=shutil.ignore_patterns("performances"))
        for name in ("first-batch", "second-batch", "third-batch"):
            make(name, demo / "performances" / name, EVENING_MIN)
        room = demo / "room.toml"
        text = room.read_text(encoding="utf-8")
        room.write_text(text.replace("[[control.feed]]", f"[control]\nport = {self.port}\n\n[[control.feed]]"))
        (self.project / "deploy").symlink_to(ROOT / "deploy")
        (self.project / ".venv" / "bin").mkdir(parents=True)
        shutil.copytree(demo, self.root / "srv" / "residue")
        sensors = [
            f'[channel.forearm_{side}]\nkind = "mmg"\naddress = "/{side}"\nrate_hz = 500\n'
            for side in ("left", "right")
        ]
        text = "\n".join(['title = "Fifth batch"', f"[osc]\nport = {free_port()}", *sensors])
        (demo / "sensors.toml").write_text(text, encoding="utf-8")

    def _stick(self) -> None:
        """What the guides say is on it: recordings, and another evening."""
        stick = self.root / "media" / "stick"
        evening = self.project / "archives/night-dough/performances/first-batch"
        (stick / "recordings").mkdir()
        shutil.copy(evening / "data" / "forearms.flac", stick / "recordings" / "arms.flac")
        make("third-batch", stick / "fourth-batch", EVENING_MIN)

    def _programs(self) -> None:
        """Our own command, and what else a guide calls that would change the machine."""
        self.program("residue", f'exec {shlex.quote(sys.executable)} -m residue "$@"')
        self.program("sudo", 'exec "$@"')

    def program(self, name: str, does: str) -> None:
        path = self.root / "bin" / name
        path.write_text(f"#!/bin/sh\n{does}\n", encoding="utf-8")
        path.chmod(0o755)

    @property
    def environment(self) -> Mapping[str, str]:
        return {
            "PATH": f"{self.root / 'bin'}:{os.environ['PATH']}",
            "HOME": str(self.root / "home"),
            "PYTHONPATH": f"{ROOT}:{self.root / 'site'}",
            "XDG_CACHE_HOME": str(self.root / "cache"),
            "XDG_RUNTIME_DIR": str(self.root / "run"),
            "COLUMNS": "200",
            "LC_ALL": "C.UTF-8",
        }

    def here(self, command: str) -> str:
        """The command with the folders of this machine, and asking the house of this machine."""
        command = _ABSOLUTE.sub(f"{self.root}/", command)
        return f"{command} --at 127.0.0.1:{self.port}" if _ASKS_THE_HOUSE.match(command) else command

    def run(self, command: str) -> str:
        """What it prints; fails where its exit status is not 0."""
        if _ASKS_THE_HOUSE.match(command):
            self.start()
        done = self._done(command)
        assert done.returncode == 0, f"{command}\n{done.stdout}{done.stderr}"
        return done.stdout

    def succeeds(self, command: str) -> bool:
        """Whether its exit status is 0, for what takes a house some time."""
        return self._done(command).returncode == 0

    def _done(self, command: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            ["/bin/sh", "-c", self.here(command)],
            cwd=self.project,
            env=self.environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
        )

    def with_a_person(self, command: str, until: str) -> str:
        """What it shows on a terminal until it asks for this, where the person ends it by Ctrl-C."""
        ours, theirs = pty.openpty()
        process = subprocess.Popen(
            [*AS_AT_A_TERMINAL, "/bin/sh", "-c", f"exec {self.here(command)}"],
            cwd=self.project,
            env=self.environment,
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            start_new_session=True,
            preexec_fn=_own_terminal,
        )
        os.close(theirs)
        shown, gives_up_s = "", monotonic() + 120
        with suppress(OSError):  # at the end of the process
            while monotonic() < gives_up_s:
                if select.select([ours], [], [], 1.0)[0]:
                    shown += os.read(ours, 4_096).decode()
                    if until in shown:
                        os.write(ours, b"\x03")
                        until = "\0"
        try:
            process.wait(60)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            raise AssertionError(f"{command}\ndid not end:\n{shown}") from None
        finally:
            os.close(ours)
        return shown

    def start(self, installation: str = "srv/residue") -> None:
        """The house, as systemd would start it; it is there once it answers."""
        if self.house is not None:
            return
        command = f"exec residue run {self.root / installation} --device silent --state {self.root}/var/lib/residue"
        self.house = subprocess.Popen(
            ["/bin/sh", "-c", command],
            cwd=self.project,
            env=self.environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        asks = ["residue", "status", "--at", f"127.0.0.1:{self.port}"]
        while self.house.poll() is None:
            if subprocess.run(asks, env=self.environment, capture_output=True, check=False).returncode == 0:
                return
        raise AssertionError("The house did not start.")

    def stop(self) -> None:
        if self.house is not None:
            self.house.terminate()
            self.house.wait(60)
        self.house = None

    def write(self, block: Block) -> None:
        """A file that a guide tells to write; a part of one is put at its end."""
        path = self.project / block.file
        path.parent.mkdir(parents=True, exist_ok=True)
        before = path.read_text(encoding="utf-8") + "\n" if path.exists() and block.file == "dough/piece.toml" else ""
        path.write_text(before + block.text, encoding="utf-8")

    def install_nodes(self) -> None:
        """As pip would, without a build: the module, and the entry points of its pyproject.toml."""
        site = self.root / "site"
        facts = site / "bakery_nodes-1.0.dist-info"
        facts.mkdir(parents=True)
        shutil.copy(self.project / "bakery-nodes" / "bakery_nodes.py", site)
        (facts / "METADATA").write_text(_BAKERY_NODES, encoding="utf-8")
        (facts / "entry_points.txt").write_text("[residue.nodes]\ncrumb = bakery_nodes:Crumb\n", encoding="utf-8")


def _own_terminal() -> None:
    """Make standard input the terminal that Ctrl-C comes from."""
    import fcntl
    import termios

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


@contextmanager
def printed_machine(root: Path) -> Iterator[PrintedMachine]:
    machine = PrintedMachine(root)
    try:
        yield machine
    finally:
        machine.stop()
