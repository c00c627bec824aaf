"""Values of a file in the cache, which are read when they are asked for.

Such a file is not mapped into memory: a sector that a failing disk no longer reads would end the process (SIGBUS), and
after each new start again, at the same place. Here it is an error like any other.
"""

from __future__ import annotations

import errno
import os
import weakref
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray


class OnDisk:
    """An array of one dimension in an open file. Raises OSError."""

    def __init__(self, path: Path, dtype: np.dtype[Any], *, begins_byte: int, length: int) -> None:
        self._path, self._dtype, self._begins_byte, self._length = path, dtype, begins_byte, length
        self._handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        weakref.finalize(self, os.close, self._handle)

    def __len__(self) -> int:
        return self._length

    def __getitem__(self, part: slice, /) -> NDArray[Any]:
        """The values of a part without a step."""
        start, stop, _ = part.indices(self._length)
        size = max(0, stop - start) * self._dtype.itemsize
        content = os.pread(self._handle, size, self._begins_byte + start * self._dtype.itemsize)
        if len(content) < size:
            raise OSError(errno.EIO, "The file is shorter than it was", str(self._path))
        return np.frombuffer(content, self._dtype)


def on_disk(path: Path, dtype: np.dtype[Any]) -> OnDisk | None:
    """A file in the format of numpy; None where it is missing or damaged."""
    if not path.is_file():  # opening a pipe would wait for ever
        return None
    try:
        found = np.load(path, mmap_mode="r", allow_pickle=False)  # of which only the header is looked at
        if found.dtype != dtype or found.ndim != 1 or path.stat().st_size != found.offset + found.nbytes:
            return None
        return OnDisk(path, dtype, begins_byte=found.offset, length=len(found))
    except Exception:  # noqa: BLE001 (with a damaged header numpy raises nearly any error, and the file is made again)
        return None
