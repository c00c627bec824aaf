"""The opener of sources for each kind of file."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import replace
from functools import partial
from pathlib import Path

from residue.archive.beside import disk_problem
from residue.archive.file_kinds import FileKind, endings_of, kind_of_file
from residue.archive.ingest.facts import TableFacts
from residue.archive.ingest.source import IngestSource
from residue.archive.ingest.sources.acq import open_acq_source
from residue.archive.ingest.sources.activity import open_activity_source
from residue.archive.ingest.sources.arrays import open_array_source, survey_arrays
from residue.archive.ingest.sources.beats import open_beats_source
from residue.archive.ingest.sources.edf import open_edf_source
from residue.archive.ingest.sources.eeg import open_eeg_source
from residue.archive.ingest.sources.gdf import open_gdf_source
from residue.archive.ingest.sources.lossy import open_lossy_source
from residue.archive.ingest.sources.sound import open_sound_source, salvage_sound
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
    FileKind.ACQ: open_acq_source,
    FileKind.EEG: open_eeg_source,
    FileKind.GDF: open_gdf_source,
    FileKind.ACTIVITY: open_activity_source,
    FileKind.BEATS: open_beats_source,
}
"""The openers of all kinds that need neither facts from a person nor room on the disk."""
_SALVAGERS: Mapping[FileKind, Callable[[Path], IngestSource]] = {
    FileKind.EDF: partial(open_edf_source, salvage=True),
    FileKind.XDF: partial(open_xdf_source, salvage=True),
    FileKind.EEG: partial(open_eeg_source, salvage=True),
    FileKind.GDF: partial(open_gdf_source, salvage=True),
    FileKind.WFDB: partial(open_wfdb_source, salvage=True),
    FileKind.ACQ: partial(open_acq_source, salvage=True),
    FileKind.ACTIVITY: partial(open_activity_source, salvage=True),
}
"""The openers of what survives of a damaged file."""


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


def open_source(path: Path, facts: TableFacts | None, scratch: Path, *, salvage: bool = False) -> IngestSource:
    """Opens one source. Raises ProblemError; where much of a damaged file survives, the mend says how to take it.

    facts: those of a table, from the describe file. scratch: a folder for temporary data that is too large for memory.
    salvage: take what survives of a damaged file.
    """

    def opening(*, salvage: bool) -> IngestSource:
        kind = _kind(path, facts)
        if kind is FileKind.ARRAYS:
            return open_array_source(path, facts, salvage=salvage)
        if kind is FileKind.LOSSY:
            return open_lossy_source(path, scratch, salvage=salvage)
        if kind is FileKind.TABLE:
            return open_table_source(path, facts, scratch, salvage=salvage)
        if kind is FileKind.SOUND and salvage:
            return salvage_sound(path, scratch)
        return _opener(path, kind, salvage=salvage)(path)

    def survivor() -> IngestSource:
        with suppress(ProblemError):
            return opening(salvage=True)
        return survey_source(path, scratch)[0]  # whatever facts are still missing

    with _disk_told(path):
        try:
            return opening(salvage=salvage)
        except ProblemError as problem:
            if salvage:
                raise
            raise _with_offer(problem, survivor) from problem


def survey_source(path: Path, scratch: Path) -> tuple[IngestSource, Suggestions | None]:
    """Opens one source without a describe file, for a template; a table has any rate. Raises ProblemError.

    Beside it, for a table, the facts that the template may suggest. Of a damaged file it is what survives.
    """

    def opening(*, salvage: bool) -> tuple[IngestSource, Suggestions | None]:
        kind = _kind(path, None)
        if kind is FileKind.ARRAYS:
            return survey_arrays(path, salvage=salvage)
        if kind is FileKind.LOSSY:
            return open_lossy_source(path, scratch, salvage=salvage), None
        if kind is FileKind.TABLE:
            return survey_table(path, scratch, salvage=salvage)
        if kind is FileKind.SOUND and salvage:
            return salvage_sound(path, scratch), None
        return _opener(path, kind, salvage=salvage)(path), None

    with _disk_told(path):
        try:
            return opening(salvage=False)
        except ProblemError:
            with suppress(ProblemError):
                return opening(salvage=True)
            raise


def _with_offer(problem: ProblemError, opening: Callable[[], IngestSource]) -> ProblemError:
    """The problem, with the way to take what survives, if something does."""
    try:
        survivor = opening()
    except ProblemError:
        return problem
    if not survivor.lost:
        return problem
    offer = f'If there is no better copy, write damaged = ["{survivor.path.name}"] in the describe file.'
    return ProblemError(replace(one, mend=f"{one.mend} {offer}") for one in problem.findings)


def _kind(path: Path, facts: TableFacts | None) -> FileKind | None:
    """The kind of a file; a text is a table where a person says so, or where it has several columns."""
    kind = kind_of_file(path)
    if kind is FileKind.BEATS and (facts is not None or holds_a_table(path)):
        return FileKind.TABLE
    return kind


def _opener(path: Path, kind: FileKind | None, *, salvage: bool) -> Callable[[Path], IngestSource]:
    if kind is None:
        known = f"These can be read: {endings_of(FileKind)}."
        raise stopping(path.name, f'Files that end in "{path.suffix}" cannot be read.', known)
    return _SALVAGERS.get(kind, _OPENERS[kind]) if salvage else _OPENERS[kind]


@contextmanager
def _disk_told(path: Path) -> Iterator[None]:
    try:
        yield
    except ProblemError:
        raise
    except OSError as error:
        raise disk_problem(path, error) from error
