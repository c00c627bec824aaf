"""Which opener of sources is for which file, by its suffix."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from residue.archive.beside import disk_problem
from residue.archive.ingest.source import IngestSource
from residue.archive.ingest.sources.beats import open_beats_source
from residue.archive.ingest.sources.edf import open_edf_source
from residue.archive.ingest.sources.sound import open_sound_source
from residue.archive.ingest.sources.table import TABLES, TableFacts, open_table_source
from residue.archive.ingest.sources.wfdb import open_wfdb_source
from residue.archive.ingest.sources.xdf import open_xdf_source
from residue.problems import ProblemError, stopping

OPENERS: Mapping[str, Callable[[Path], IngestSource]] = {
    **dict.fromkeys((".wav", ".rf64", ".bwf", ".flac", ".aif", ".aiff"), open_sound_source),
    **dict.fromkeys((".edf", ".bdf"), open_edf_source),
    **dict.fromkeys((".hea",), open_wfdb_source),
    **dict.fromkeys((".xdf",), open_xdf_source),
    **dict.fromkeys((".txt", ".rr", ".ibi"), open_beats_source),
}


def find_files(given: list[Path]) -> list[Path]:
    """The files that can be sources among those given, folders being looked through. Raises ProblemError."""
    found: list[Path] = []
    for path in given:
        if path.is_dir():
            inner = sorted(one for one in path.rglob("*") if one.is_file() and not one.name.startswith("."))
            found += [one for one in inner if one.suffix.lower() in OPENERS.keys() | TABLES]
        elif path.is_file():
            found.append(path)
        else:
            raise stopping(str(path), "It is not there.", "Check the name; put the stick back in.")
    if not found:
        raise stopping(", ".join(map(str, given)), "There is no recording in it.", f"Known are {_known()}.")
    for path in found:
        if any(0xD800 <= ord(letter) < 0xE000 for letter in path.name):  # how Python holds bytes that are no text
            shown = path.name.encode("utf-8", "replace").decode()
            raise stopping(shown, "The name of this file is not UTF-8 text.", "Rename it, in a copy of the folder.")
    return list(dict.fromkeys(found))


def open_source(path: Path, facts: TableFacts | None, scratch: Path) -> IngestSource:
    """One source. Raises ProblemError.

    facts: of a table, by the describe file. scratch: a folder that has room for what memory has not, meanwhile.
    """
    suffix = path.suffix.lower()
    try:
        if suffix in TABLES:
            if facts is None:
                mend = f'In the describe file write [table."{path.name}"] with rate_hz = …, or time = "its column".'
                raise stopping(path.name, "A table does not state its rate.", mend)
            return open_table_source(path, facts, scratch)
        if suffix not in OPENERS:
            raise stopping(path.name, f'Files that end in "{path.suffix}" cannot be read.', f"Known are {_known()}.")
        return OPENERS[suffix](path)
    except ProblemError:
        raise
    except OSError as error:
        raise disk_problem(path, error) from error


def _known() -> str:
    return ", ".join(sorted(OPENERS.keys() | TABLES))
