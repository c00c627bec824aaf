"""Files of named arrays as sources: NumPy (npy, npz), MATLAB (5, and 7.3 by the extra "hdf"), HDF5 (likewise)."""

from __future__ import annotations

import struct
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path
from tokenize import TokenError
from typing import Any

import numpy as np
import scipy.io

from residue.archive.ingest.columns import Column
from residue.archive.ingest.extras import FAULTS, extra, faults_told, without_warnings
from residue.archive.ingest.facts import TableFacts
from residue.archive.ingest.memory import check_memory
from residue.archive.ingest.rows import Rows, by_rate, by_times
from residue.archive.ingest.source import IngestSource, Track, guess_kind, own_labels
from residue.archive.ingest.sources.array_tree import ArrayColumn, ArrayTree
from residue.archive.ingest.sources.matlab_process import DamagedFileError, most_bytes, read_matlab, read_survivor
from residue.archive.ingest.sources.numpy_survivor import surviving_npy, surviving_npz
from residue.archive.ingest.suggesting import Suggestions, suggested_facts
from residue.archive.ingest.times import Times, checked, of_numbers
from residue.archive.performance import LONGEST_S
from residue.dsp.resampling import Floats
from residue.problems import nearest, stopping

_IN_PIECES = "Save its arrays as npy files, which are read in pieces."
_HDF5_PLACES = (0, 512, 1024, 2048)
_HDF5 = b"\x89HDF\r\n\x1a\n"
"""The signature of HDF5, at byte 0 or 512, 1024 …; MATLAB 7.3 puts a text of 512 bytes before it."""
_FAULTS = (
    *FAULTS,
    *(RuntimeError, RecursionError, SyntaxError, TokenError, struct.error, zlib.error, zipfile.BadZipFile),
    *(scipy.io.matlab.MatReadError, DamagedFileError),
)
_TOLD = (_FAULTS, "It cannot be read", "Save it again, or copy it again.")
_MOST_ROWS = round(LONGEST_S * 192_000)
"""A week at the highest rate of sound devices."""


def open_array_source(path: Path, facts: TableFacts | None, *, salvage: bool = False) -> IngestSource:
    """Opens the columns of the longest arrays as tracks; without facts a number such as fs must tell the rate.

    salvage: take what survives of a damaged npy, npz or MATLAB 5 file. Raises ProblemError.
    """
    found = _read(path, salvage=salvage)
    told: tuple[str, ...] = ()
    if facts is None:
        rate_hz = found.stated_rate_hz
        if rate_hz is None:
            mend = f'In the describe file write [table."{path.name}"] with rate_hz = …, or time = "its array".'
            raise stopping(path.name, "It does not state its rate.", mend)
        facts, told = TableFacts(rate_hz=rate_hz), (f"{rate_hz:g} rows a second, as a number in it states",)
    rows = by_rate(facts.rate_hz) if facts.rate_hz else by_times(path.name, found.times(facts), facts.resample_hz)
    return found.source(rows, facts.time, told)


def survey_arrays(path: Path, *, salvage: bool = False) -> tuple[IngestSource, Suggestions]:
    """The columns of the longest arrays at any rate, and what a template may suggest. Raises ProblemError."""
    found = _read(path, salvage=salvage)
    suggested = suggested_facts(list(found.columns), [], found.stated_rate_hz, found.times)
    if "time" in suggested and found.stated_rate_hz is not None:
        suggested = {"rate_hz": found.stated_rate_hz}
    return found.source(by_rate(1.0), suggested.get("time"), ()), suggested


@dataclass(frozen=True)
class _Arrays:
    """The columns that a file holds."""

    path: Path
    columns: dict[str, Column]
    stated_rate_hz: float | None
    left_out: int
    """Arrays of other lengths."""
    lost: str

    def times(self, facts: TableFacts) -> Times:
        """The times of the rows, checked. Raises ProblemError."""
        name = facts.time or ""
        if name not in self.columns:
            raise stopping(self.path.name, f'It has no array "{name}".', nearest(name, self.columns))
        where, column = self.path.name, self.columns[name]
        return checked(where, of_numbers(where, column, heading=name, stated=facts.time_unit))

    def source(self, rows: Rows, time: object, told: tuple[str, ...]) -> IngestSource:
        """The columns as tracks. Raises ProblemError where they are too long."""
        tracks = tuple(
            Track(name, rows.stream(column), kind=guess_kind(name))
            for name, column in self.columns.items()
            if name != time
        )
        if not tracks:
            raise stopping(self.path.name, "It holds no array of measurements.", "Leave it out.")
        if self.left_out:
            told += (f"{self.left_out} shorter arrays were left out, since they cannot have the same rate",)
        return IngestSource(
            self.path,
            tracks,
            began=rows.began,
            told=(*told, *rows.told),
            rate_assumed=rows.rate_assumed,
            lost=self.lost,
        )


def _read(path: Path, *, salvage: bool) -> _Arrays:
    with faults_told(path, *_TOLD), without_warnings():
        tree, lost = _tree_of(path, salvage=salvage)
        labelled = list(tree.columns())
        labels = own_labels([label for label, _ in labelled])
        columns: dict[str, Column] = {
            label: _Told(path, column) for label, (_, column) in zip(labels, labelled, strict=True)
        }
    if any(column.length > _MOST_ROWS for column in columns.values()):
        raise stopping(path.name, "It declares more rows than a recording can have.", "Save it again.")
    if not columns:
        raise stopping(path.name, "It holds no arrays of real numbers.", "Leave it out, or find the right file.")
    rate_hz = next(iter(tree.rates)) if len(tree.rates) == 1 else None
    return _Arrays(path, columns, rate_hz, len(tree.arrays) - len(tree.longest()), lost)


def _tree_of(path: Path, *, salvage: bool) -> tuple[ArrayTree, str]:
    """The contents of a file, and what of it is lost, in words."""
    ending, tree = path.suffix.lower(), ArrayTree()
    if ending == ".npy" and salvage:
        survivor, lost = surviving_npy(path)
        tree.add((), survivor)
        return tree, lost
    if ending == ".npz" and salvage:
        check_memory(path, path.stat().st_size, _IN_PIECES)
        survivors, lost = surviving_npz(path.read_bytes(), most_bytes())
        tree.add((), survivors)
        return tree, lost
    if ending == ".npy":
        tree.add((), np.load(path, mmap_mode="r", allow_pickle=False))
    elif ending == ".npz":
        with zipfile.ZipFile(path) as members:
            check_memory(path, sum(member.file_size for member in members.infolist()), _IN_PIECES)
        with np.load(path, allow_pickle=False) as members:
            tree.add((), {name: members[name] for name in members.files})
    elif _is_hdf5(path):
        _add_hdf5(tree, extra("hdf", path).File(path, "r"))  # open as long as one of its data sets is held
    elif salvage:
        return read_survivor(path)
    else:
        check_memory(path, _bytes_of_matlab(path), _IN_PIECES)
        return read_matlab(path), ""
    return tree, ""


def _is_hdf5(path: Path) -> bool:
    with path.open("rb") as file:
        head = file.read(_HDF5_PLACES[-1] + len(_HDF5))
    return any(head[place : place + len(_HDF5)] == _HDF5 for place in _HDF5_PLACES)


def _add_hdf5(tree: ArrayTree, file: Any) -> None:
    """Every data set and every attribute; data sets stay on the disk."""

    def visit(name: str, item: Any) -> None:
        place = tuple(name.split("/"))
        for key, value in item.attrs.items():
            tree.add((*place, key), value)
        if hasattr(item, "shape") and not name.startswith("#"):
            tree.add(place, item)

    file.visititems(visit)


def _bytes_of_matlab(path: Path) -> int:
    """The size of the variables in memory: eight bytes for a number; cells and structures as large as the file."""
    numbers = sum(int(np.prod(shape, dtype=object)) for _, shape, _ in scipy.io.whosmat(path))
    return 8 * numbers + 8 * path.stat().st_size


@dataclass(frozen=True)
class _Told:
    """A column whose faults are told: a damaged part of an HDF5 file shows only when it is read."""

    path: Path
    column: ArrayColumn

    @property
    def length(self) -> int:
        """The length in rows."""
        return self.column.length

    def read(self, start: int, stop: int) -> Floats:
        """Rows start, …, stop - 1. Raises ProblemError."""
        with faults_told(self.path, *_TOLD):
            return self.column.read(start, stop)
