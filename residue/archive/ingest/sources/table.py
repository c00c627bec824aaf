"""Tables in text as sources: CSV and TSV files, with comma, semicolon or tab between the columns."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from itertools import islice
from pathlib import Path
from typing import Annotated

import numpy as np
from msgspec import Meta

from residue.archive.ingest.columns import Column, EvenStream, GriddedStream, find_grid, pieces
from residue.archive.ingest.source import IngestSource, Track, guess_kind
from residue.archive.ingest.stored import StoredColumn, StoredNumbers
from residue.archive.performance import SECONDS_PER_UNIT, ManifestTable
from residue.dsp.resampling import Floats, SampleStream
from residue.problems import nearest, stopping

_SEPARATORS = ",;\t"
_MOST_COLUMNS = 1024
_NOTHING = frozenset({"", "nan", "na", "n/a", "null", "-"})
"""Cells without a measurement; they become gaps."""


class TableFacts(ManifestTable, frozen=True, kw_only=True):
    """Facts about a table that a person must give: its rate, or the column that holds the time."""

    rate_hz: Annotated[float, Meta(gt=0, le=1e6)] | None = None
    """Rows a second, if no column has the time."""
    time: str | None = None
    """Heading of the column with the time, in time_unit."""
    time_unit: str = "s"
    """"s" or "ms"."""

    def __post_init__(self) -> None:
        if (self.rate_hz is None) == (self.time is None):
            raise ValueError("A table needs either rate_hz or time. Write one of them.")
        if self.time_unit not in SECONDS_PER_UNIT:
            raise ValueError(f'time_unit = "{self.time_unit}" is not known. Write "s" or "ms".')


def open_table_source(path: Path, facts: TableFacts, scratch: Path) -> IngestSource:
    """Opens the columns of a table as tracks. scratch: a folder for its numbers. Raises ProblemError."""
    headings, numbers = read_table(path, scratch)
    columns = {name: StoredColumn(numbers, place) for place, name in enumerate(headings)}
    if facts.rate_hz is not None:
        rate_hz = Fraction(facts.rate_hz).limit_denominator(10**6)
        streams: Mapping[str, SampleStream] = {name: EvenStream(column, rate_hz) for name, column in columns.items()}
    else:
        times_s = _times(path, columns, facts)
        grid = find_grid(path.name, times_s)
        streams = {name: GriddedStream(column, times_s, grid) for name, column in columns.items() if name != facts.time}
    return IngestSource(path, tuple(Track(name, stream, kind=guess_kind(name)) for name, stream in streams.items()))


@dataclass(frozen=True)
class _Times:
    """The column with the time, in seconds."""

    column: Column
    unit_s: float

    @property
    def length(self) -> int:
        """The length in rows."""
        return self.column.length

    def read(self, start: int, stop: int) -> Floats:
        """Rows start, …, stop - 1."""
        return self.column.read(start, stop) * self.unit_s


def _times(path: Path, columns: Mapping[str, Column], facts: TableFacts) -> Column:
    """The times of the rows, checked: each row has one, and they ascend."""
    name = facts.time or ""
    if name not in columns:
        raise stopping(path.name, f'It has no column "{name}".', nearest(name, columns))
    times_s = _Times(columns[name], SECONDS_PER_UNIT[facts.time_unit])
    before = -math.inf
    for start, times in pieces(times_s):
        unknown = np.flatnonzero(~np.isfinite(times))
        if len(unknown):
            raise stopping(path.name, f"Row {start + unknown[0] + 1} has no time.", "Remove the row, or correct it.")
        back = np.flatnonzero(np.diff(times, prepend=before) <= 0)
        if len(back):
            row = start + int(back[0])
            what = f"Time does not increase from row {row} to row {row + 1}."
            raise stopping(path.name, what, "Sort the rows, or remove the duplicates.")
        before = float(times[-1])
    return times_s


def read_table(path: Path, scratch: Path) -> tuple[tuple[str, ...], StoredNumbers]:
    """Reads headings and numbers, with decimal points, or with decimal commas in all cells. Raises ProblemError."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            first = file.readline()
            separator = max(_SEPARATORS, key=first.count)
            file.seek(0)
            rows = ((number, row) for number, row in enumerate(csv.reader(file, delimiter=separator), 1) if any(row))
            heading = next(islice(rows, 1), None)
            if heading is None:
                raise stopping(path.name, "It is empty.", "Export it again.")
            headings = _headings(path, heading[1])
            numbers = StoredNumbers(scratch, len(headings))
            numbers.fill(_numbers(path, rows, headings, separator))
    except UnicodeDecodeError as error:
        raise stopping(path.name, "It is not UTF-8 text.", "Export it again, as CSV in UTF-8.") from error
    except csv.Error as error:
        raise stopping(path.name, f"It cannot be read as a table: {error}.", "Export it again, as CSV.") from error
    if not numbers.rows:
        raise stopping(path.name, "It has headings but no rows.", "Export it again.")
    return headings, numbers


def _headings(path: Path, cells: list[str]) -> tuple[str, ...]:
    names = tuple(cell.strip() for cell in cells)
    if len(names) > _MOST_COLUMNS:
        raise stopping(path.name, f"It has {len(names)} columns.", f"Keep those that matter, {_MOST_COLUMNS} at most.")
    if len(set(names)) < len(names) or not all(names):
        raise stopping(
            path.name,
            "Its first line does not give each column a name of its own.",
            "Write a different name above each column.",
        )
    return names


def _numbers(
    path: Path, rows: Iterator[tuple[int, list[str]]], headings: tuple[str, ...], separator: str
) -> Iterator[list[float]]:
    """One list for each row. A comma is a decimal comma if it does not separate columns and no cell has a point."""
    marks_met: set[str] = set()
    for number, row in rows:
        if len(row) != len(headings):
            what = f"Line {number} has {len(row)} cells under {len(headings)} headings."
            mend = "Export it with semicolons between the columns." if separator == "," else "Correct that line."
            raise stopping(path.name, what, mend)
        marks_met |= {mark for cell in row for mark in ".," if mark in cell}
        if len(marks_met) > 1:
            what = f"Line {number} mixes decimal points and decimal commas with the lines before it."
            raise stopping(path.name, what, "Export it with one of them throughout.")
        try:
            yield [_number(cell) for cell in row]
        except ValueError:
            cell = next(cell for cell in row if not _is_number(cell))
            raise stopping(path.name, f'Line {number}: "{cell[:40]}" is not a number.', "Correct that cell.") from None


def _number(cell: str) -> float:
    text = cell.strip()
    if text.lower() in _NOTHING:
        return math.nan
    return float(text.replace(",", "."))


def _is_number(cell: str) -> bool:
    try:
        _number(cell)
    except ValueError:
        return False
    return True
