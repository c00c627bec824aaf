"""A table of numbers on the disk, so that memory does not grow with it."""

from __future__ import annotations

import os
import tempfile
import weakref
from array import array
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from residue.archive.beside import telling
from residue.dsp.resampling import Floats

_PIECE_NUMBERS = 1 << 18
_NUMBER_BYTES = 8


class StoredNumbers:
    """Rows of numbers in a file without a name, which disappears with this object.

    It is written in pieces, each of them column by column, so that a column can be read without the others.
    """

    def __init__(self, folder: Path, columns: int) -> None:
        """Raises ProblemError where no file can be made in the folder."""
        self._folder, self._columns = folder, columns
        self._piece_rows = max(1, _PIECE_NUMBERS // columns)
        self.rows = 0
        with telling(folder):
            folder.mkdir(parents=True, exist_ok=True)
            file = tempfile.TemporaryFile(dir=folder)  # noqa: SIM115 - open as long as this object exists
        self._file = file
        weakref.finalize(self, file.close)

    def fill(self, rows: Iterable[Sequence[float]]) -> None:
        """Writes all rows. Raises ProblemError where the disk is full."""
        piece = array("d")
        for row in rows:
            piece.extend(row)
            if len(piece) == self._piece_rows * self._columns:
                self._write(np.frombuffer(piece).reshape(-1, self._columns))
                piece = array("d")
        self._write(np.frombuffer(piece).reshape(-1, self._columns))

    def fill_blocks(self, blocks: Iterable[Floats]) -> None:
        """Writes all rows, (rows, columns) at a time. Raises ProblemError where the disk is full."""
        held, rows = [np.empty((0, self._columns))], 0
        for block in blocks:
            held.append(block)
            rows += len(block)
            if rows >= self._piece_rows:
                joined = np.concatenate(held)
                whole = rows - rows % self._piece_rows
                for start in range(0, whole, self._piece_rows):
                    self._write(joined[start : start + self._piece_rows])
                held, rows = [joined[whole:]], rows - whole
        self._write(np.concatenate(held))

    def _write(self, values: Floats) -> None:
        with telling(self._folder):
            self._file.write(values.T.tobytes())
            self._file.flush()
        self.rows += len(values)

    def read(self, column: int, *, start: int, stop: int) -> Floats:
        """Rows start, …, stop - 1 of one column."""
        parts = [np.empty(0)]
        while start < stop:
            piece, inner = divmod(start, self._piece_rows)
            begins = piece * self._piece_rows
            rows = min(self._piece_rows, self.rows - begins)
            wanted = min(stop - start, rows - inner)
            place = begins * self._columns + column * rows + inner
            found = os.pread(self._file.fileno(), wanted * _NUMBER_BYTES, place * _NUMBER_BYTES)
            parts.append(np.frombuffer(found))
            start += wanted
        return np.concatenate(parts)


@dataclass(frozen=True)
class StoredColumn:
    """One column of numbers on the disk."""

    numbers: StoredNumbers
    number: int

    @property
    def length(self) -> int:
        """The length in rows."""
        return self.numbers.rows

    def read(self, start: int, stop: int) -> Floats:
        """Rows start, …, stop - 1."""
        return self.numbers.read(self.number, start=start, stop=stop)
