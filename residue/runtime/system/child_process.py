"""Work in another process, supervised without waiting for it."""

from __future__ import annotations

import logging
import subprocess
import tempfile
import threading
from collections.abc import Callable, Sequence

from residue.processes import command_of

logger = logging.getLogger(__name__)

END_S = 0.2
_TRACEBACK = "Traceback (most recent call last)"


class ChildProcess:
    """A module of residue that runs in a process of its own; its output goes into files of limited size."""

    def __init__(self, module: str, arguments: Sequence[str]) -> None:
        self._said = tempfile.TemporaryFile()  # noqa: SIM115 - closed in `end`
        self._complained = tempfile.TemporaryFile()  # noqa: SIM115
        self._process = subprocess.Popen(
            command_of(module, arguments),
            stdin=subprocess.DEVNULL,
            stdout=self._said,
            stderr=self._complained,
        )

    @property
    def status(self) -> int | None:
        """Its exit status, below 0 where a signal ended it; None while it runs."""
        return self._process.poll()

    @property
    def said(self) -> list[bytes]:
        """The complete lines that it has written to standard output so far."""
        self._said.seek(0)
        return [line for line in self._said.readlines() if line.endswith(b"\n")]

    @property
    def complaint(self) -> str:
        """Its text on standard error (the last line of a traceback of ours); never empty."""
        self._complained.seek(0)
        words = self._complained.read().decode(errors="replace").strip()
        if not words:
            return f"It ended with status {self.status}: memory may be short. Ask again."
        if _TRACEBACK not in words:
            return words
        logger.error("%s", words)
        return words.splitlines()[-1]

    def end(self, wait_s: float = END_S) -> None:
        """Ends the process, and waits for that so long; unfinished work is lost."""
        if self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.wait(wait_s)
            except subprocess.TimeoutExpired:  # it gets no processor, or hangs in the kernel until its disk answers
                threading.Thread(target=self._process.wait, daemon=True).start()  # or it would stay as a zombie
        self._said.close()
        self._complained.close()


ProcessStarter = Callable[[str, Sequence[str]], ChildProcess]
"""Starts a process: a module, and its arguments."""
