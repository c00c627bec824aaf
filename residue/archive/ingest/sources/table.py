"""Tables in text as sources: columns of numbers become tracks, columns of texts become marks."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from residue.archive.ingest.facts import TableFacts
from residue.archive.ingest.rows import Rows, by_rate, by_times
from residue.archive.ingest.source import IngestSource, Track, guess_kind
from residue.archive.ingest.sources.table_cells import CellKind, Columns
from residue.archive.ingest.sources.table_text import TableText, read_text
from residue.archive.ingest.stored import StoredColumn, StoredNumbers
from residue.archive.ingest.suggesting import Suggestions, suggested_facts
from residue.archive.ingest.times import Times, checked, of_moments, of_numbers
from residue.archive.performance import Mark
from residue.problems import nearest, stopping


def open_table_source(path: Path, facts: TableFacts | None, scratch: Path, *, salvage: bool = False) -> IngestSource:
    """Opens the columns of a table as tracks. scratch: a folder for its numbers. Raises ProblemError.

    Without facts the rate must stand in the comments above the table. salvage: leave out a last line that is cut.
    """
    table = _read(path, scratch, salvage=salvage)
    told: tuple[str, ...] = ()
    if facts is None:
        if table.text.stated_rate_hz is None:
            mend = f'In the describe file write [table."{path.name}"] with rate_hz = …, or time = "its column".'
            raise stopping(path.name, "A table does not state its rate.", mend)
        facts = TableFacts(rate_hz=table.text.stated_rate_hz)
        told = (f"{facts.rate_hz:g} rows a second, as the comments above the table state",)
    rows = by_rate(facts.rate_hz) if facts.rate_hz else by_times(path.name, table.times(facts), facts.resample_hz)
    return table.source(rows, facts.time, told)


def survey_table(path: Path, scratch: Path, *, salvage: bool = False) -> tuple[IngestSource, Suggestions]:
    """The columns of a table at any rate, and the facts that a template may suggest. Raises ProblemError."""
    table = _read(path, scratch, salvage=salvage)
    names = [name for name, kind in zip(table.text.headings, table.columns.kinds, strict=True) if kind]
    moments = [name for name in names if table.kind_of(name) is CellKind.MOMENT]
    suggested = suggested_facts(names, moments, table.text.stated_rate_hz, table.times)
    return table.source(by_rate(1.0), suggested.get("time"), ()), suggested


@dataclass(frozen=True)
class _Table:
    """A table that was read."""

    text: TableText
    columns: Columns
    numbers: StoredNumbers

    def kind_of(self, name: str) -> CellKind | None:
        """What a column holds."""
        return self.columns.kinds[self.text.headings.index(name)]

    def times(self, facts: TableFacts) -> Times:
        """The times of the rows, checked. Raises ProblemError."""
        where, name = self.text.path.name, facts.time or ""
        if name not in self.text.headings:
            raise stopping(where, f'It has no column "{name}".', nearest(name, self.text.headings))
        place = self.text.headings.index(name)
        column = StoredColumn(self.numbers, place)
        if self.columns.kinds[place] is CellKind.TEXT:
            what = f'Its column "{name}" holds what is no time: "{self.columns.texts[place][0][1][:40]}".'
            raise stopping(where, what, "Write times as seconds, or as 2026-02-11T23:40:00.250.")
        if self.columns.kinds[place] is CellKind.MOMENT:
            return checked(where, of_moments(column, self.columns.firsts[place]))
        return checked(where, of_numbers(where, column, heading=name, stated=facts.time_unit))

    def source(self, rows: Rows, time: object, told: tuple[str, ...]) -> IngestSource:
        """The columns as tracks and marks. Raises ProblemError where there is no column of numbers."""
        tracks, names = [], self.text.headings
        for place, name in enumerate(names):
            if self.columns.kinds[place] is not CellKind.TEXT and name != time:
                column = StoredColumn(self.numbers, place)
                tracks.append(Track(name, rows.stream(column), kind=guess_kind(name)))
        if not tracks:
            raise stopping(self.text.path.name, "It has no column of numbers.", "Export it with the measurements.")
        left_out = (
            f'the column "{names[place]}" holds too many texts to be marks, and was left out'
            for place in sorted(self.columns.too_many)
        )
        marks = (
            Mark(at_s=round(rows.at_s(row), 6), text=text)
            for place, found in self.columns.texts.items()
            if place not in self.columns.too_many
            for row, text in found
        )
        return IngestSource(
            self.text.path,
            tuple(tracks),
            began=rows.began,
            marks=tuple(sorted(marks, key=lambda mark: mark.at_s)),
            told=(*told, *rows.told, *left_out),
            rate_assumed=rows.rate_assumed,
            lost=self.text.lost,
        )


def _read(path: Path, scratch: Path, *, salvage: bool) -> _Table:
    """Reads headings and numbers, with decimal points, or with decimal commas in all cells. Raises ProblemError."""
    with _told(path):
        text = read_text(path, salvage=salvage)
        columns = Columns([None] * len(text.headings))
        numbers = StoredNumbers(scratch, len(text.headings))
        numbers.fill(columns.numbers(text))
    if not numbers.rows:
        raise stopping(path.name, "It has headings but no rows.", "Export it again.")
    return _Table(text, columns, numbers)


@contextmanager
def _told(path: Path) -> Iterator[None]:
    try:
        yield
    except UnicodeError as error:
        raise stopping(path.name, "It is not UTF-8 text.", "Export it again, as CSV in UTF-8.") from error
    except csv.Error as error:
        raise stopping(path.name, f"It cannot be read as a table: {error}.", "Export it again, as CSV.") from error
