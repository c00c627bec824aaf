"""The opener of sources for each kind of file."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from residue.archive.beside import disk_problem
from residue.archive.file_kinds import FileKind, endings_of, kind_of_file
from residue.archive.ingest.source import IngestSource
from residue.archive.ingest.sources.beats import open_beats_source
from residue.archive.ingest.sources.edf import open_edf_source
from residue.archive.ingest.sources.sound import open_sound_source
from residue.archive.ingest.sources.table import TableFacts, open_table_source
from residue.archive.ingest.sources.wfdb import open_wfdb_source
from residue.archive.ingest.sources.xdf import open_xdf_source
from residue.problems import ProblemError, stopping

_OPENERS: Mapping[FileKind, Callable[[Path], IngestSource]] = {
    FileKind.SOUND: open_sound_source,
    FileKind.EDF: open_edf_source,
    FileKind.WFDB: open_wfdb_source,
    FileKind.XDF: open_xdf_source,
    FileKind.BEATS: open_beats_source,
}
"""The openers of all kinds but tables, which need facts from a person."""


def find_files(given: list[Path]) -> list[Path]:
    """The files that can be sources, among the given files and folders. Raises ProblemError."""
    found: list[Path] = []
    for path in given:
        if path.is_dir():
            inner = sorted(one for one in path.rglob("*") if one.is_file() and not one.name.startswith("."))
            found += [one for one in inner if kind_of_file(one)]
        elif path.is_file():
            found.append(path)
        else:
            raise stopping(str(path), "It is not there.", "Check the name; put the stick back in.")
    if not found:
        raise stopping(
            ", ".join(map(str, given)), "There is no recording in it.", f"These can be read: {endings_of(FileKind)}."
        )
    for path in found:
        if any(0xD800 <= ord(letter) < 0xE000 for letter in path.name):  # Python's form of bytes that are not text
            shown = path.name.encode("utf-8", "replace").decode()
            raise stopping(shown, "The name of this file is not UTF-8 text.", "Rename it, in a copy of the folder.")
    return list(dict.fromkeys(found))


def open_source(path: Path, facts: TableFacts | None, scratch: Path) -> IngestSource:
    """Opens one source. Raises ProblemError.

    facts: those of a table, from the describe file. scratch: a folder for temporary data that is too large for memory.
    """
    kind = kind_of_file(path)
    try:
        if kind is FileKind.TABLE:
            if facts is None:
                mend = f'In the describe file write [table."{path.name}"] with rate_hz = …, or time = "its column".'
                raise stopping(path.name, "A table does not state its rate.", mend)
            return open_table_source(path, facts, scratch)
        if kind is None:
            known = f"These can be read: {endings_of(FileKind)}."
            raise stopping(path.name, f'Files that end in "{path.suffix}" cannot be read.', known)
        return _OPENERS[kind](path)
    except ProblemError:
        raise
    except OSError as error:
        raise disk_problem(path, error) from error
