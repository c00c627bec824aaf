"""The data records of a file, as EDF and GDF have them: all alike, in each some samples of every signal in turn."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray


class DataRecords:
    """The raw data records; keeps the last ones, so that signals share them."""

    def __init__(self, path: Path, *, begins: int, record_bytes: int, count: int, at_once: int) -> None:
        """begins: the place of the first one in the file, in bytes. at_once: so many are read, and kept."""
        self.count = count
        self._path, self._begins, self._record_bytes = path, begins, record_bytes
        self._at_once = max(1, at_once)
        self._first, self._held = 0, np.empty((0, record_bytes), np.uint8)

    def part(self, place: slice, *, start: int, stop: int) -> NDArray[np.uint8]:
        """(records, bytes): this place in the records from `start` to `stop`, or to the end of those that are kept."""
        if not self._first <= start < self._first + len(self._held):
            self._first = start // self._at_once * self._at_once
            count = min(self._at_once, self.count - self._first)
            with self._path.open("rb") as file:
                file.seek(self._begins + self._first * self._record_bytes)
                content = file.read(count * self._record_bytes)
            self._held = np.frombuffer(content, np.uint8).reshape(count, self._record_bytes)
        return self._held[start - self._first : stop - self._first, place]
