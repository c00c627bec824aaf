"""Which errors of SQLite mean that the file itself is damaged, so that no other attempt can succeed."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_HEADER_BYTES = 48
"""As much of the header as is looked at."""
_WRITE_VERSIONS, _SCHEMA_FORMATS = (1, 2), range(5)
"""All that there are; the format is 0 in a file without tables. Source: sqlite.org/fileformat2.html, 1.3."""


class _DamagedError(sqlite3.DatabaseError):
    """Of a database whose own names are no longer text."""

    sqlite_errorname = "SQLITE_CORRUPT"


@contextmanager
def damage_told() -> Iterator[None]:
    """For some damage the module of Python fails to decode the message of SQLite, and raises that."""
    try:
        yield
    except UnicodeDecodeError as error:
        raise _DamagedError("its names are no longer text") from error


def is_spoilt(error: Exception, path: Path) -> bool:
    """Whether the file is no longer a usable database, which another attempt does not repair."""
    if isinstance(error, sqlite3.OperationalError) and not hasattr(error, "sqlite_errorname"):
        return True  # the module of Python, which finds no text where SQLite keeps the names of columns
    if getattr(error, "sqlite_errorname", "") in ("SQLITE_CORRUPT", "SQLITE_NOTADB"):
        return True
    return _is_of_no_version(path)


def _is_of_no_version(path: Path) -> bool:
    """Whether its header asks for a later SQLite, which calls such a file read-only, or its format unsupported."""
    try:
        with path.open("rb") as file:
            header = file.read(_HEADER_BYTES)
    except OSError:
        return False
    if len(header) < _HEADER_BYTES:
        return False
    return header[18] not in _WRITE_VERSIONS or int.from_bytes(header[44:48], "big") not in _SCHEMA_FORMATS
