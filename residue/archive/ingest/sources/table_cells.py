"""Cells of a table as numbers: measurements, moments as seconds, and texts as marks."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import Enum

from residue.archive.ingest.sources.table_text import NOTHING, TableText, is_number, moment
from residue.problems import stopping

_MOST_TEXTS = 10_000
"""A column with more texts is no column of marks."""
_HALF_A_DAY_S = 43_200.0
_DAY_S = 86_400.0


class CellKind(Enum):
    """What the cells of a column hold, by the first of them that is not empty."""

    NUMBER = "numbers"
    MOMENT = "dates and times"
    TEXT = "texts"


class _FaultyCellError(Exception):
    def __init__(self, cell: str, meant: str) -> None:
        super().__init__(cell)
        self.cell, self.meant = cell, meant


@dataclass
class Columns:
    """What was met in the columns while their cells were read."""

    kinds: list[CellKind | None]
    firsts: dict[int, datetime] = field(default_factory=dict)
    """The first moment of each column of moments, which its numbers count from, in seconds."""
    texts: dict[int, list[tuple[int, str]]] = field(default_factory=dict)
    """Row and text where a column of texts changes."""
    too_many: set[int] = field(default_factory=set)
    """Columns with more texts than marks can be."""
    _all_numbers: bool = False
    _latest: dict[int, str] = field(default_factory=dict)
    _days_s: dict[int, float] = field(default_factory=dict)
    _before_s: dict[int, float] = field(default_factory=dict)

    def numbers(self, table: TableText) -> Iterator[list[float]]:
        """One list for each row. A comma is a decimal comma if it does not separate columns and no cell has a point.

        Raises ProblemError.
        """
        marks_met: set[str] = set()
        for number, row in enumerate(table.rows()):
            try:
                yield self._read(number, row)
            except _FaultyCellError as fault:
                what = f'Line {table.line}: "{fault.cell[:40]}" is not {fault.meant}.'
                raise stopping(table.path.name, what, "Correct that cell.") from None
            marks_met |= {mark for cell in self._numbers_of(row) for mark in ".," if mark in cell}
            if len(marks_met) > 1:
                what = f"Line {table.line} mixes decimal points and decimal commas with the lines before it."
                raise stopping(table.path.name, what, "Export it with one of them throughout.")

    def _numbers_of(self, row: Sequence[str]) -> Sequence[str]:
        if self._all_numbers:
            return row
        return [cell for cell, kind in zip(row, self.kinds, strict=True) if kind is CellKind.NUMBER]

    def _read(self, number: int, row: Sequence[str]) -> list[float]:
        if self._all_numbers:
            with suppress(ValueError):
                return [_number(cell) for cell in row]
        values = [self._value(number, place, cell) for place, cell in enumerate(row)]
        self._all_numbers = all(kind is CellKind.NUMBER for kind in self.kinds)
        return values

    def _value(self, number: int, place: int, cell: str) -> float:
        text = cell.strip()
        if text.lower() in NOTHING:
            self._latest.pop(place, None)
            return math.nan
        if self.kinds[place] is None:
            self.kinds[place] = _kind(text)
        if self.kinds[place] is CellKind.NUMBER:
            try:
                return _number(text)
            except ValueError:
                raise _FaultyCellError(cell, "a number") from None
        if self.kinds[place] is CellKind.MOMENT:
            return self._seconds(place, text)
        if self._latest.get(place) != text:
            self._note(place, number, text)
        return math.nan

    def _note(self, place: int, number: int, text: str) -> None:
        self._latest[place] = text
        found = self.texts.setdefault(place, [])
        if len(found) == _MOST_TEXTS:
            self.too_many.add(place)
        else:
            found.append((number, text))

    def _seconds(self, place: int, text: str) -> float:
        """Seconds since the column's first moment; a time of day goes on past midnight."""
        at = moment(text)
        if at is None:
            raise _FaultyCellError(text, "a date and time, as those above it")
        first = self.firsts.setdefault(place, at)
        if (at.tzinfo is None) != (first.tzinfo is None):
            raise _FaultyCellError(text, "a date and time with an offset from UTC, or without, as those above it")
        seconds = (at - first) / timedelta(seconds=1) + self._days_s.get(place, 0.0)
        if at.year == 1 and seconds < self._before_s.get(place, seconds) - _HALF_A_DAY_S:
            self._days_s[place] = self._days_s.get(place, 0.0) + _DAY_S
            seconds += _DAY_S
        self._before_s[place] = seconds
        return seconds


def _kind(text: str) -> CellKind:
    if is_number(text):
        return CellKind.NUMBER
    return CellKind.MOMENT if moment(text) else CellKind.TEXT


def _number(cell: str) -> float:
    text = cell.strip()
    if text.lower() in NOTHING:
        return math.nan
    return float(text.replace(",", "."))
