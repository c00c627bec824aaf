"""The text of a table: its encoding, comments above it, separator and headings, whatever program exported it."""

from __future__ import annotations

import codecs
import csv
import json
import re
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from residue.archive.ingest.source import own_labels
from residue.archive.ingest.stated import RATE_KEYS, is_rate, plain_key
from residue.problems import ProblemError, stopping

NOTHING = frozenset({"", "nan", "na", "n/a", "null", "none", "-"})
"""Cells without a measurement; they become gaps."""
_SEPARATORS = "\t;,"
_NO_DATE = date(1, 1, 1)
_COMMENTS = ("#", "%")
_MOST_COLUMNS = 1024
_LONGEST_LINE = 1 << 24
_MOST_COMMENT_LETTERS = 1 << 20
_NAMES_KEYS = frozenset({"column", "columns", "columnnames", "headings", "labels", "channels", "channelnames"})
_STATED_RATE = re.compile(
    r"(?:sampl\w*[ _-]*(?:rate|freq\w*)|^\W*(?:rate|fs)(?=\W{1,4}[\d.]+\s*k?hz))\W{1,4}(\d+(?:\.\d+)?)\s*(k?hz)?",
    re.IGNORECASE,
)


@dataclass(kw_only=True)
class TableText:
    """The rows of a table, and what stands above them."""

    path: Path
    encoding: str
    separator: str
    """One of , ; tab, or a space, for any run of spaces and tabs."""
    headings: tuple[str, ...]
    headed: bool
    """Whether the first row is the headings."""
    stated_rate_hz: float | None
    """The rate that the comments state, if they state one only."""
    salvage: bool = False
    """Whether to leave out a last line that is cut, and what stands behind a byte of zero."""
    line: int = field(default=0, compare=False)
    """The line that was read last."""
    lost: str = ""
    """What was left out, in words."""

    def rows(self) -> Iterator[list[str]]:
        """The rows below the headings, all of the same length. Raises ProblemError, UnicodeDecodeError, csv.Error."""
        columns, skip = len(self.headings), self.headed
        for row in self._split():
            if len(row) == columns + 1 and not row[-1].strip():
                row.pop()  # a separator after the last cell
            if skip:
                skip = False
            elif len(row) != columns:
                what = f"Line {self.line} has {len(row)} cells where {columns} are meant."
                commas = self.separator == ","
                mend = "Export it with semicolons between the columns." if commas else "Correct that line."
                raise stopping(self.path.name, what, mend)
            else:
                yield row

    def _split(self) -> Iterator[list[str]]:
        return split(self._lines(), self.separator)

    def _lines(self) -> Iterator[str]:
        for number, text in _lines(self.path, self.encoding):
            self.line = number
            if self.salvage and ("\0" in text or not text.endswith(("\n", "\r"))):
                self.lost = f"cut short or damaged: it was read up to line {number - 1}"
                return
            if not is_comment(text):
                yield text


def split(lines: Iterator[str], separator: str) -> Iterator[list[str]]:
    """The cells of each line that holds any."""
    rows = (line.split() for line in lines) if separator == " " else csv.reader(lines, delimiter=separator)
    return (row for row in rows if any(row))


def is_comment(line: str) -> bool:
    """Whether a line is beside the table: a comment, or a header in JSON on one line."""
    return line.startswith(_COMMENTS) or (line.startswith("{") and line.rstrip().endswith("}"))


def read_text(path: Path, *, salvage: bool = False) -> TableText:
    """The form of a table, from its beginning. Raises ProblemError, UnicodeDecodeError, csv.Error, OSError."""
    encoding = _encoding(path)
    comments, first_lines = _beginning(path, encoding)
    if not first_lines:
        raise stopping(path.name, "It is empty.", "Export it again.")
    separator = _separator(first_lines)
    rows = list(split(iter(first_lines), separator))
    if not rows:
        what = f"Its first {'two lines hold' if len(first_lines) > 1 else 'line holds'} separators and nothing else."
        raise stopping(path.name, what, "Remove the empty lines above the table.")
    if any(len(row) > _MOST_COLUMNS + 1 for row in rows):
        what = f"It has {max(map(len, rows))} columns."
        raise stopping(path.name, what, f"Keep those that matter, {_MOST_COLUMNS} at most.")
    header = [found for comment in comments if (found := _json(comment)) is not None]
    headed = _is_heading(rows)
    cells = list(rows[0])
    if not cells[-1].strip() and (not headed or (len(rows) > 1 and not rows[1][-1].strip())):
        cells.pop()
    names = cells if headed else _names_above(comments, header, len(cells), separator)
    rates = {rate for found in header for rate in _values(found, RATE_KEYS) if is_rate(rate)}
    if not header:
        stated = filter(None, map(_STATED_RATE.search, comments))
        rates = {float(one[1]) * (1000 if (one[2] or "").lower() == "khz" else 1) for one in stated}
    return TableText(
        path=path,
        encoding=encoding,
        separator=separator,
        headings=_named(names),
        headed=headed,
        stated_rate_hz=float(next(iter(rates))) if len(rates) == 1 else None,
        salvage=salvage,
    )


def holds_a_table(path: Path) -> bool:
    """Whether a text has rows of several columns, or comments that state a rate; if not, it may be a list."""
    try:
        text = read_text(path)
    except (ProblemError, UnicodeError, csv.Error):
        return False
    return len(text.headings) > 1 or text.stated_rate_hz is not None


def _encoding(path: Path) -> str:
    with path.open("rb") as file:
        begins = file.read(2)
    return "utf-16" if begins in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE) else "utf-8-sig"


def _lines(path: Path, encoding: str) -> Iterator[tuple[int, str]]:
    with path.open(encoding=encoding, newline="") as file:
        number = 0
        while text := file.readline(_LONGEST_LINE):
            number += 1
            if len(text) == _LONGEST_LINE and not text.endswith("\n"):
                what = f"Line {number} has more than {_LONGEST_LINE} letters."
                raise stopping(path.name, what, "Export it again, with a line for each moment.")
            yield number, text


def _beginning(path: Path, encoding: str) -> tuple[list[str], list[str]]:
    """The comments above the table, without their signs, and its first two lines."""
    comments: list[str] = []
    first: list[str] = []
    letters = 0
    for _, line in _lines(path, encoding):
        if is_comment(line):
            letters += len(line)
            if letters <= _MOST_COMMENT_LETTERS:
                comments.append(line.lstrip("".join(_COMMENTS)).strip())
        elif line.strip():
            first.append(line)
            if len(first) == 2:
                break
    return comments, first


def _separator(lines: Sequence[str]) -> str:
    """The sign that stands equally often in both lines; a comma last, since it may be a decimal comma."""
    even = (sign for sign in _SEPARATORS if sign in lines[0] and lines[0].count(sign) == lines[-1].count(sign))
    best = next(even, max(reversed(_SEPARATORS), key=lines[0].count))
    return best if any(best in line for line in lines) or len(lines[-1].split()) == 1 else " "


def _is_heading(rows: Sequence[Sequence[str]]) -> bool:
    """Whether the first row names the columns: it holds no numbers, or words where the next row has numbers."""
    known = [cell for cell in rows[0] if cell.strip().lower() not in NOTHING]
    if not any(map(is_value, known)):
        return True
    below = rows[1] if len(rows) > 1 else []
    return any(not is_value(a) and is_value(b) for a, b in zip(rows[0], below, strict=False) if a.strip())


def is_value(cell: str) -> bool:
    """Whether a cell is a number or a moment."""
    return is_number(cell) or moment(cell) is not None


def is_number(cell: str) -> bool:
    """Whether a cell is a number, with a point or a comma."""
    try:
        float(cell.replace(",", "."))
    except ValueError:
        return False
    return True


def moment(cell: str) -> datetime | None:
    """A date and time, or a time of day (on the first day that there is), as ISO 8601 writes them; None for others."""
    text = cell.strip()
    if len(text) < len("23:40") or not (":" in text or "T" in text):
        return None
    with suppress(ValueError):
        return datetime.fromisoformat(text)
    with suppress(ValueError):
        return datetime.combine(_NO_DATE, time.fromisoformat(text))
    return None


def _named(names: Sequence[str]) -> tuple[str, ...]:
    """A name of its own for each column."""
    return tuple(own_labels([name.strip() or f"column {number}" for number, name in enumerate(names, 1)]))


def _names_above(comments: Sequence[str], header: Sequence[Any], columns: int, separator: str) -> Sequence[str]:
    """The names that comments give to the columns of a table without headings, or none for each."""
    lists: list[list[str]] = [names for found in header for names in _values(found, _NAMES_KEYS) if _are_names(names)]
    together = [name for names in reversed(lists) for name in names]  # of several devices in one file
    for names in (*lists, together):
        if len(names) == columns:
            return names
    last = next(split(iter(comments[-1:]), separator), []) if comments and not header else []
    return last if len(last) == columns and not any(map(is_value, last)) else [""] * columns


def _json(comment: str) -> Any:
    if not comment.startswith("{"):
        return None
    try:
        return json.loads(comment)
    except (ValueError, RecursionError):
        return None


def _values(found: Any, keys: frozenset[str]) -> Iterator[Any]:
    """What stands under any of these keys, at any depth; what stands deeper and later comes first."""
    pending = [found]
    while pending:
        one = pending.pop()
        if isinstance(one, dict):
            for key, value in one.items():
                if plain_key(key) in keys:
                    yield value
            pending += one.values()
        elif isinstance(one, list):
            pending += one


def _are_names(found: Any) -> bool:
    return isinstance(found, list) and all(isinstance(name, str) for name in found)
