"""Reads all played files again every night, in a process of its own, at a limited pace.

    python -m residue.runtime.daemon.rereading INSTALLATION IN_FORCE CACHE

IN_FORCE is the folder of the files in force. It lists on standard output, as JSON, the files that have changed without
a write.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import msgspec

from residue.archive.bag import payload_digest
from residue.archive.fixity import verify
from residue.archive.prepared import prepared_folder
from residue.archive.prepared_fixity import reread
from residue.installation.load import Installation, load
from residue.problems import Finding, ProblemError, Severity
from residue.processes import PLANS, give_way
from residue.runtime.planning.preparation import CHANNELS

BYTES_PER_S = 20_000_000.0
"""A third of the speed of a memory card: 100 GB take 84 min. Our choice."""


class ReadingPace:
    """Waits as long as necessary to keep to BYTES_PER_S."""

    def __init__(
        self, monotonic_s: Callable[[], float] = time.monotonic, sleep: Callable[[float], None] = time.sleep
    ) -> None:
        self._monotonic_s = monotonic_s
        self._sleep = sleep
        self._free_s = monotonic_s()
        self._done = 0

    def read(self, count: int) -> None:
        """Notes that so many more bytes have been read."""
        self._free_s = max(self._free_s, self._monotonic_s()) + count / BYTES_PER_S
        self._sleep(max(0.0, self._free_s - self._monotonic_s()))

    def progress(self, what: str, done: int, total: int) -> None:
        """Reports progress in bytes."""
        self.read(max(0, done - self._done))
        self._done = done


def spoilt(installation: Installation, cache: Path, pace: ReadingPace) -> Iterator[Finding]:
    """Finds files that changed since they were written, for every performance of the programme."""
    for name in installation.played:
        bag = installation.performances[name]
        _let_go(bag)
        for finding in verify(bag, pace.progress):
            if finding.severity is Severity.STOPS:
                yield replace(finding, mend=f"{finding.mend} If nobody wrote there, the disk begins to fail.")
        try:
            folder = prepared_folder(cache / CHANNELS, payload_digest(bag))
        except ProblemError:
            continue  # `verify` has reported those already
        _let_go(folder)
        yield from reread(folder, name, pace.read)


def _let_go(folder: Path) -> None:
    """Removes the files from the kernel's cache, so that the disk itself is read."""
    for file in folder.rglob("*"):
        with suppress(OSError):
            handle = os.open(file, os.O_RDONLY | os.O_NONBLOCK)  # opening a pipe would wait for ever
            try:
                os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
            finally:
                os.close(handle)


def main() -> None:
    """Runs the nightly reading in a process of its own."""
    give_way(PLANS)
    folder, in_force, cache = map(Path, sys.argv[1:4])
    try:
        findings = list(spoilt(load(folder, in_force), cache, ReadingPace()))
    except ProblemError as error:
        sys.exit(str(error))
    sys.stdout.write(msgspec.json.encode(findings).decode() + "\n")


if __name__ == "__main__":
    main()
