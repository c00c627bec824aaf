"""Runs a program that may write nothing and send nothing."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

_HOOK = """
import os, sys

def _watch(event, arguments):
    if event == "open" and (
        isinstance(arguments[1], str) and set(arguments[1]) & set("wax+")
        or isinstance(arguments[2], int) and arguments[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
    ):
        os.write(2, f"{arguments}\\n".encode())
        os._exit(3)
    if event.startswith("socket.") or event in ("os.mkfifo", "os.rename", "os.link", "subprocess.Popen"):
        os.write(2, f"{event} {arguments}\\n".encode())
        os._exit(4)

def write_nothing():
    sys.addaudithook(_watch)
"""


def without_writing(program: str, folder: Path) -> str:
    """What a program says that calls write_nothing() once it has loaded what it needs.

    From then on an audit hook of Python (PEP 578) ends it at the first file that is opened for writing, or socket.
    """
    done = subprocess.run(
        [sys.executable, "-c", _HOOK + program],
        env={"HOME": str(folder), "TMPDIR": str(folder), "PYTHONPATH": str(Path(__file__).parents[2])},
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=200,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert list(folder.iterdir()) == []
    return done.stdout
