"""Lists of intervals from beat to beat, in text: one on each line, or a column of a table."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from residue.archive.beside import disk_problem
from residue.archive.performance import LONGEST_S, SECONDS_PER_UNIT, Channel
from residue.problems import nearest, stopping
from residue.small_files import read_small

AT_S = "at_s"
_MOST_BYTES = 64_000_000
"""A week of beats is a tenth of this."""
_LONGEST_LINE = 100_000
"""Letters; the csv module of Python takes no cell of more than 131,072."""
LONGEST_INTERVAL_S = 60.0
"""A longer pause is a wrong unit (milliseconds read as seconds), not a heart."""


@dataclass(frozen=True)
class BeatList:
    """Beats, and the interval that ended with each, 0 where it is not known; a list without times begins at 0."""

    times_s: NDArray[np.float64]
    intervals_s: NDArray[np.float64]


def read_beats(path: Path, channel: Channel) -> BeatList:
    """The beats of a list of intervals; a line may be a heading or begin with "#". Raises ProblemError.

    With channel.signal the file is a table, with comma, semicolon or tab between its columns, and that column is read.
    In a table a column "at_s" gives the time of each beat, in seconds from the start of the channel; then pauses are
    possible.
    """
    lines = _lines(path)
    if channel.signal and AT_S in _heading(lines)[1]:
        return _timed(path, lines, channel.signal, SECONDS_PER_UNIT[channel.unit])
    cells = _column(path, lines, channel.signal) if channel.signal else _without_heading(lines)
    scale = SECONDS_PER_UNIT[channel.unit]
    intervals = np.array([_interval_s(path, n, cell, scale) for n, cell in cells])
    if len(intervals) == 0:
        raise stopping(path.name, "It holds no intervals.", "Leave the channel out, or find the right file.")
    intervals = np.concatenate(([0.0], intervals))
    times = np.cumsum(intervals)
    if times[-1] > LONGEST_S:
        raise stopping(path.name, "Its intervals add up to more than a week.", "Check the unit.")
    return BeatList(times, intervals)


def _timed(path: Path, lines: list[tuple[int, str]], signal: str, scale: float) -> BeatList:
    """Beats with a time each; an interval of 0 is not known."""
    times = np.array([_number(path, n, cell) for n, cell in _column(path, lines, AT_S)])
    intervals = np.array([_number(path, n, cell) * scale for n, cell in _column(path, lines, signal)])
    if len(times) and not (times[0] >= 0 and (np.diff(times) > 0).all() and times[-1] <= LONGEST_S):
        raise stopping(
            path.name, f"Its column {AT_S} does not rise, or spans more than a week.", "Correct that column."
        )
    if len(times) and not ((intervals >= 0) & (intervals <= LONGEST_INTERVAL_S)).all():
        raise stopping(path.name, f"Its column {signal} holds what is no time from beat to beat.", "Check the unit.")
    return BeatList(times, intervals)


def numbers_of(path: Path) -> list[float]:
    """The numbers of a list, in the unit of the file. Raises ProblemError."""
    cells = _without_heading(_lines(path))
    numbers = [_number(path, n, cell) for n, cell in cells]
    if not numbers:
        raise stopping(path.name, "It holds no intervals.", "Leave the channel out, or find the right file.")
    return numbers


def _lines(path: Path) -> list[tuple[int, str]]:
    try:
        text = read_small(path, _MOST_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise stopping(path.name, "It is not text.", "A list of intervals has one number a line.") from error
    except OSError as error:
        raise disk_problem(path, error) from error
    stripped = ((n, line.strip()) for n, line in enumerate(text.splitlines(), 1))
    lines = [(n, line) for n, line in stripped if line and not line.startswith("#")]
    if long := next((n for n, line in lines if len(line) > _LONGEST_LINE), None):
        what = f"Line {long} has more than {_LONGEST_LINE} letters."
        raise stopping(path.name, what, "A list of intervals has one number a line.")
    return lines


def _without_heading(lines: list[tuple[int, str]]) -> list[tuple[int, str]]:
    if lines and any(letter.isalpha() for letter in lines[0][1]) and lines[0][1].lower() not in ("nan", "inf"):
        return lines[1:]
    return lines


def _heading(lines: list[tuple[int, str]]) -> tuple[str, list[str]]:
    """Finds the separator and the column names of a table."""
    first = lines[0][1] if lines else ""
    separator = max(",;\t", key=first.count)
    return separator, [cell.strip() for cell in _cells(first, separator)]


def _cells(line: str, separator: str) -> list[str]:
    """Of this line alone, whatever quotation mark it leaves open."""
    return next(csv.reader([line], delimiter=separator), [])


def _column(path: Path, lines: list[tuple[int, str]], name: str) -> list[tuple[int, str]]:
    if not lines:
        return []
    separator, heading = _heading(lines)
    rows = [_cells(line, separator) for _, line in lines]
    if name not in heading:
        raise stopping(path.name, f'It has no column "{name}".', nearest(name, heading))
    place = heading.index(name)
    short = next((n for (n, _), row in zip(lines, rows, strict=True) if len(row) <= place), None)
    if short:
        raise stopping(path.name, f"Line {short} has no column {name}.", "Correct that line.")
    return [(n, row[place]) for (n, _), row in zip(lines[1:], rows[1:], strict=True)]


def _number(path: Path, line: int, cell: str) -> float:
    try:
        return float(cell)
    except ValueError:
        mend = "Write one number a line, with a decimal point."
        raise stopping(path.name, f'Line {line}: "{cell[:40]}" is not a number.', mend) from None


def _interval_s(path: Path, line: int, cell: str, scale: float) -> float:
    interval = _number(path, line, cell) * scale
    if not (math.isfinite(interval) and 0 < interval <= LONGEST_INTERVAL_S):
        mend = f"An interval lies between 0 and {LONGEST_INTERVAL_S:g} s; check the unit, or take the line out."
        raise stopping(path.name, f"Line {line}: {cell.strip()} is not the time from one beat to the next.", mend)
    return interval
