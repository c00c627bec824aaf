"""Watches files that a person may change while the house runs: reads them whole, and accepts or refuses them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

from residue.problems import ProblemError

SETTLED_S = 2.0
"""A file must be unchanged for so long before it is read, so that a program that writes it in pieces has finished."""

Taken_co = TypeVar("Taken_co", covariant=True)
Read = TypeVar("Read")


@dataclass(frozen=True)
class LoadedFiles(Generic[Taken_co]):
    """The present contents of the files."""

    value: Taken_co


@dataclass(frozen=True)
class Refused:
    """The files are not reliable, for these reasons; those in force stay."""

    error: ProblemError


FileStates = tuple[tuple[int, int, int] | None, ...]
"""For each file: its identity, its size, and the time of its last change (ns); None for a missing one."""


class Watched(Generic[Read]):
    """Checks some files from time to time, and reads them after a change, when they no longer change.

    read: reads and checks all of them; raises ProblemError with all faults. unread: the files are not those that were
    taken, so the first look reads them. settled_s: they must be unchanged for so long.
    """

    def __init__(
        self,
        paths: Sequence[Path],
        read: Callable[[], Read],
        *,
        unread: bool = False,
        settled_s: float = SETTLED_S,
    ) -> None:
        self.paths = tuple(paths)
        self._read = read
        self._settled_s = settled_s
        self._seen = self._now()
        self._read_at = None if unread else self._seen
        self._since_s = 0.0  # long ago on the monotonic clock

    def look(self, monotonic_s: float) -> LoadedFiles[Read] | Refused | None:
        """The new contents or a refusal; None without news. Call it every second or so."""
        now = self._now()
        if now != self._seen:
            self._seen, self._since_s = now, monotonic_s
            return None
        if now == self._read_at or monotonic_s - self._since_s < self._settled_s:
            return None
        outcome = self._outcome()
        if self._now() != now:  # it was written while it was read
            return None
        self._read_at = now
        return outcome

    def _outcome(self) -> LoadedFiles[Read] | Refused:
        try:
            return LoadedFiles(self._read())
        except ProblemError as error:
            return Refused(error)

    def _now(self) -> FileStates:
        return tuple(map(_look, self.paths))


def _look(path: Path) -> tuple[int, int, int] | None:
    try:
        stat = path.stat()
    except OSError:
        return None
    return stat.st_ino, stat.st_size, stat.st_mtime_ns
