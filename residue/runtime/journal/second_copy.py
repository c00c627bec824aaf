"""A second copy of the sent levels, so that after a loss of the level log the house is not silent and forgets nothing.

Two files of lines are used in turn, each long enough for the longest window of a cap. Each line has a check sum.
Nothing in them depends on the database.
"""

from __future__ import annotations

import os
import zlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import msgspec

from residue.archive.beside import clear, clear_folder
from residue.small_files import read_small

FILE_NAME, BEFORE_NAME = "sent.lines", "sent-before.lines"
MOST_LINES = 100_000
"""The most lines of one file: a day of seconds, which is the longest window of a cap, and the events. 40 MB."""
_MOST_BYTES = 100 << 20
MOST_SPOILT = 20
"""The most lines with a wrong check sum; with more of them the whole copy is rejected."""


@dataclass(frozen=True, slots=True)
class SecondTold:
    """About a second that was sent. sent: the mean level at each ear of a cap, as JSON."""

    utc: str
    boot: str
    up_s: float
    duration_s: float
    sent: str


@dataclass(frozen=True, slots=True)
class EventTold:
    """An event. unlogged_s: the time before it for which sound may have been sent without a line."""

    utc: str
    boot: str | None
    up_s: float | None
    kind: str
    unlogged_s: float | None


LineTold = SecondTold | EventTold


class SpoiltCopyError(ValueError):
    """Too much of the copy is damaged, so that none of it can be used."""


class SecondCopy:
    """The files in the folder of the level log. Every method may raise OSError."""

    def __init__(self, folder: Path) -> None:
        self._path, self._before = folder / FILE_NAME, folder / BEFORE_NAME
        self._lines: int | None = None
        """The lines of the present file; None while they are not counted."""

    def append(self, told: Iterable[LineTold]) -> None:
        """Writes lines to the end, and waits until they are on the disk."""
        lines = [_encoded(one) for one in told]
        if not lines:
            return
        if self._lines is None:
            self._lines = self._counted()
        if self._lines + len(lines) > MOST_LINES:
            self._path.replace(self._before)
            self._lines = 0
        self._write(self._path, lines)
        self._lines += len(lines)

    def begin_anew(self, told: Iterable[LineTold]) -> None:
        """Replaces all lines by these."""
        making = self._path.with_name(self._path.name + ".new")
        clear(making)
        lines = [_encoded(one) for one in told]
        self._write(making, lines)
        clear(self._before)
        clear_folder(self._path)
        making.replace(self._path)
        self._lines = len(lines)

    def read(self) -> Sequence[LineTold] | None:
        """Every line, the oldest first; None where there is no copy.

        A damaged line is replaced by an event of the kind SPOILT_LINE. Raises OSError, SpoiltCopyError.
        """
        if not self._path.exists() and not self._before.exists():
            return None
        found = list(self._read())
        spoilt = sum(one is None for one in found)
        if spoilt > MOST_SPOILT or not found:
            raise SpoiltCopyError(f"{spoilt} of {len(found)} lines of {self._path.name} are damaged")
        return list(_bridged(found))

    def latest(self) -> Iterator[LineTold | None]:
        """Every line, the latest first; None for a damaged one. Raises OSError."""
        for path in (self._path, self._before):
            with suppress(FileNotFoundError):
                lines = read_small(path, _MOST_BYTES).split(b"\n")
                yield from (_decoded(line) for line in dict.fromkeys(reversed(lines)) if line)

    def holds(self, told: Iterable[LineTold]) -> bool:
        """Whether all of these are among the lines. Decodes none before the oldest of them. Raises OSError."""
        missing = set[LineTold | None](told)
        for line in self.latest():
            missing.discard(line)
            if not missing:
                break
        return not missing

    def _read(self) -> Iterator[LineTold | None]:
        for path in (self._before, self._path):
            with suppress(FileNotFoundError):
                lines = read_small(path, _MOST_BYTES).split(b"\n")
                # After an error of the database a retry writes rows again, so equal lines count once.
                yield from (_decoded(line) for line in dict.fromkeys(lines) if line)

    def _counted(self) -> int:
        try:
            return read_small(self._path, _MOST_BYTES).count(b"\n")
        except FileNotFoundError:
            return 0

    def _write(self, path: Path, lines: Sequence[bytes]) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        new = not path.exists()
        with path.open("ab") as file:
            if os.geteuid() == 0 and new:  # the service that owns the folder must be able to write here too
                owner = path.parent.stat()
                os.fchown(file.fileno(), owner.st_uid, owner.st_gid)
            torn = b"" if new or _ends_whole(path) else b"\n"
            file.write(torn + b"".join(line + b"\n" for line in lines))
            file.flush()
            os.fsync(file.fileno())


SPOILT_LINE = "spoilt line"
"""The kind of the event in the place of a damaged line, which may have been a second."""
SPOILT_LINE_S = 2.5


def _ends_whole(path: Path) -> bool:
    with path.open("rb") as file:
        if file.seek(0, os.SEEK_END) == 0:
            return True
        file.seek(-1, os.SEEK_END)
        return file.read(1) == b"\n"


def _bridged(found: Sequence[LineTold | None]) -> Iterator[LineTold]:
    """An event in the place of each damaged line, at its latest possible time: that of the next line."""
    following: LineTold | None = next((one for one in reversed(found) if one is not None), None)
    bridged: list[LineTold] = []
    for one in reversed(found):
        following = one or following
        if one is not None:
            bridged.append(one)
        elif following is not None:
            at = following
            bridged.append(EventTold(at.utc, at.boot, at.up_s, SPOILT_LINE, SPOILT_LINE_S))
    return reversed(bridged)


def _encoded(told: LineTold) -> bytes:
    fields = (
        (told.utc, told.boot, told.up_s, told.duration_s, told.sent)
        if isinstance(told, SecondTold)
        else (told.utc, told.boot, told.up_s, told.kind, told.unlogged_s)
    )
    content = msgspec.json.encode(fields)
    return b"%08x %s" % (zlib.crc32(content), content)


_Second, _Event = tuple[str, str, float, float, str], tuple[str, str | None, float | None, str, float | None]


def _decoded(line: bytes) -> LineTold | None:
    """The content of a line; None for a damaged one."""
    check_sum, _, content = line.partition(b" ")
    if check_sum != b"%08x" % zlib.crc32(content):
        return None
    with suppress(msgspec.MsgspecError, ValueError):
        return SecondTold(*msgspec.json.decode(content, type=_Second))
    with suppress(msgspec.MsgspecError, ValueError):
        return EventTold(*msgspec.json.decode(content, type=_Event))
    return None
