"""The opener of sources for each kind of file."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from residue.archive.beside import disk_problem
from residue.archive.file_kinds import FileKind, endings_of, kind_of_file
from residue.archive.ingest.facts import TableFacts
from residue.archive.ingest.source import IngestSource
from residue.archive.ingest.sources.beats import open_beats_source
from residue.archive.ingest.sources.edf import open_edf_source
from residue.archive.ingest.sources.sound import open_sound_source
from residue.archive.ingest.sources.table import open_table_source, survey_table
from residue.archive.ingest.sources.table_text import holds_a_table
from residue.archive.ingest.sources.wfdb import open_wfdb_source
from residue.archive.ingest.sources.xdf import open_xdf_source
from residue.archive.ingest.suggesting import Suggestions
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
    with _disk_told(path):
        if _kind(path, facts) is FileKind.TABLE:
            return open_table_source(path, facts, scratch)
        return _opener(path)(path)


def survey_source(path: Path, scratch: Path) -> tuple[IngestSource, Suggestions | None]:
    """Opens one source without a describe file, for a template; a table has any rate. Raises ProblemError.

    Beside it, for a table, the facts that the template may suggest.
    """
    with _disk_told(path):
        if _kind(path, None) is FileKind.TABLE:
            return survey_table(path, scratch)
        return _opener(path)(path), None


def _kind(path: Path, facts: TableFacts | None) -> FileKind | None:
    """The kind of a file; a text is a table where a person says so, or where it has several columns."""
    kind = kind_of_file(path)
    if kind is FileKind.BEATS and (facts is not None or holds_a_table(path)):
        return FileKind.TABLE
    return kind


def _opener(path: Path) -> Callable[[Path], IngestSource]:
    kind = kind_of_file(path)
    if kind is None:
        known = f"These can be read: {endings_of(FileKind)}."
        raise stopping(path.name, f'Files that end in "{path.suffix}" cannot be read.', known)
    return _OPENERS[kind]


@contextmanager
def _disk_told(path: Path) -> Iterator[None]:
    try:
        yield
    except ProblemError:
        raise
    except OSError as error:
        raise disk_problem(path, error) from error
