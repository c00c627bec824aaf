"""Lays checkpoints of all places beside the sound, in a process of its own with the lowest priority."""

from __future__ import annotations

import sys
from pathlib import Path

from residue.archive.prepared import prepared_folder
from residue.installation.drafts import draft
from residue.problems import ProblemError
from residue.processes import give_way
from residue.runtime.planning.cache_size import tidy
from residue.runtime.planning.preparation import CHANNELS, checkpoints_of, open_performance, playback_of, steps
from residue.runtime.system.child_process import ChildProcess, ProcessStarter

AFTER_S = 5.0
"""Somebody who saves again within this time has not listened yet; our choice."""
_NICENESS = 19


class Laying:
    """The process for the version that is heard.

    folder: of the installation, whose piece is read again there.
    """

    def __init__(self, folder: Path, performance: str, cache: Path, starts: ProcessStarter = ChildProcess) -> None:
        self._arguments = (str(folder), performance, str(cache))
        self._starts = starts
        self._process: ChildProcess | None = None
        self._due_s: float | None = None

    def begin(self, now_s: float) -> None:
        """Begins again for another version, soon. now_s: on the monotonic clock, as below."""
        self.end()
        self._due_s = now_s + AFTER_S

    def look(self, now_s: float) -> None:
        """Starts the process when it is due."""
        if self._due_s is not None and now_s >= self._due_s:
            self._due_s = None
            self._process = self._starts(__name__, self._arguments)

    def end(self) -> None:
        """Ends the process, without waiting long: it has the lowest priority. What it has kept stays."""
        self._due_s = None
        if self._process is not None:
            self._process.end()
            self._process = None


def lay(folder: Path, performance: str, cache: Path) -> None:
    """Steps the performance through its end, from the place up to which all is known. Raises ProblemError."""
    installation = draft(folder, performance, gallery=False)
    prepared = open_performance(installation, performance, cache)
    kept = checkpoints_of(installation, prepared, cache)
    # Each edit leaves states that nobody asks for again.
    tidy(cache, {prepared_folder(cache / CHANNELS, prepared.digest), *kept.folders})
    playback = playback_of(installation, prepared)
    kept.advance(playback, kept.unbroken_to())
    for _ in steps(playback):
        kept.pass_by(playback)


def main() -> None:
    """Runs in a process of its own: folder, performance, cache."""
    give_way(_NICENESS)
    folder, performance, cache = sys.argv[1:]
    try:
        lay(Path(folder), performance, Path(cache))
    except ProblemError as error:  # the session tells it of the version that it reads itself
        sys.exit(str(error))


if __name__ == "__main__":
    main()
