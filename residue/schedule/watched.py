"""Files that a person may change while the house runs: noticed, read whole, and taken or refused."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

from residue.problems import ProblemError

SETTLED_S = 2.0
"""So long a file must not have changed before it is read: a program that writes it in pieces has finished by then."""

Taken_co = TypeVar("Taken_co", covariant=True)
Read = TypeVar("Read")


@dataclass(frozen=True)
class LoadedFiles(Generic[Taken_co]):
    """The present contents of the files."""

    value: Taken_co


@dataclass(frozen=True)
class Refused:
    """The files cannot be relied on, for these reasons; what was in force stays."""

    error: ProblemError


FileStates = tuple[tuple[int, int, int] | None, ...]
"""Of each file: which one it is, its size, and when it was changed (ns); None for one that is not there."""


class Watched(Generic[Read]):
    """Looks at some files now and then, and reads them when they have changed and come to rest.

    read: reads and checks all of them; raises ProblemError with everything that is wrong. unread: they are others than
    those that were taken, so that the first look reads them.
    """

    def __init__(self, paths: Sequence[Path], read: Callable[[], Read], *, unread: bool = False) -> None:
        self._paths = tuple(paths)
        self._read = read
        self._seen = self._now()
        self._read_at = None if unread else self._seen
        self._since_s = 0.0  # long ago on the monotonic clock

    def look(self, monotonic_s: float) -> LoadedFiles[Read] | Refused | None:
        """Called every second or so; None where there is nothing new to tell."""
        now = self._now()
        if now != self._seen:
            self._seen, self._since_s = now, monotonic_s
            return None
        if now == self._read_at or monotonic_s - self._since_s < SETTLED_S:
            return None
        outcome = self._outcome()
        if self._now() != now:  # it was written to while it was read
            return None
        self._read_at = now
        return outcome

    def _outcome(self) -> LoadedFiles[Read] | Refused:
        try:
            return LoadedFiles(self._read())
        except ProblemError as error:
            return Refused(error)

    def _now(self) -> FileStates:
        return tuple(map(_look, self._paths))


def _look(path: Path) -> tuple[int, int, int] | None:
    try:
        stat = path.stat()
    except OSError:
        return None
    return stat.st_ino, stat.st_size, stat.st_mtime_ns
