"""Reads a MATLAB 5 file in a process of its own, as the library does not outlive every damaged one.

scipy looks up the type of an element in a table without asking whether the table goes that far. Some files with a
flipped bit end the process that reads them so.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
from contextlib import suppress
from io import BytesIO
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from residue.archive.ingest.extras import reason_in_words, without_warnings
from residue.archive.ingest.memory import memory_free_bytes
from residue.archive.ingest.sources.array_tree import ArrayTree
from residue.archive.ingest.sources.matlab_survivor import mended
from residue.processes import command_of

_DAMAGED = "it is damaged"
_GIVEN = "-"
_MOST_BYTES = 1 << 30
"""Where the kernel does not say how much memory is free."""


class DamagedFileError(Exception):
    """The process that read a file was ended by it, or says why it cannot be read."""


def read_matlab(path: Path) -> ArrayTree:
    """The arrays of a file. Raises DamagedFileError."""
    return _read(path, b"")


def read_survivor(path: Path) -> tuple[ArrayTree, str]:
    """The arrays that survive of a file that was cut, and the loss in words. Raises DamagedFileError."""
    try:
        whole, lost = mended(path.read_bytes(), most_bytes())
    except ValueError as error:
        raise DamagedFileError(str(error)) from error
    if not lost:
        raise DamagedFileError(_DAMAGED)
    return _read(path, whole), lost


def most_bytes() -> int:
    """What is decompressed of a damaged file at most: a quarter of the free memory."""
    return (memory_free_bytes() or _MOST_BYTES) // 4


def _read(path: Path, content: bytes) -> ArrayTree:
    """The arrays of a file, or of this content in its place."""
    command = command_of(__name__, [_GIVEN if content else str(path)])
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as process:
        if process.stdin is not None:
            with suppress(BrokenPipeError), process.stdin as given:
                given.write(content)
        tree = None if process.stdout is None else _taken(process.stdout)
    if tree is None:
        raise DamagedFileError(_DAMAGED)
    return tree


def _taken(stream: IO[bytes]) -> ArrayTree | None:
    """What the other process gives; None where it ended before it was through."""
    try:
        head = json.loads(stream.readline())
        if "fault" in head:
            raise DamagedFileError(head["fault"])
        arrays = {tuple(place): _array(stream, dtype, shape) for place, dtype, shape in head["arrays"]}
    except ValueError:
        return None
    return ArrayTree(arrays, head["names"], set(head["rates"]))


def _array(stream: IO[bytes], dtype: str, shape: list[int]) -> NDArray[Any]:
    """Raises ValueError where the stream ends before."""
    length = np.dtype(dtype).itemsize * math.prod(shape)
    return np.frombuffer(stream.read(length), dtype).reshape(shape)


def main() -> None:
    """Writes what is told of a file in a line, and then its arrays, to the standard output."""
    import scipy.io  # here, as only this process needs it

    tree = ArrayTree()
    told: dict[str, object] = {}
    try:
        # Its stubs say that it takes paths alone; it takes files too.
        content: Any = BytesIO(sys.stdin.buffer.read()) if sys.argv[1] == _GIVEN else sys.argv[1]
        with without_warnings():
            found = scipy.io.loadmat(content, simplify_cells=True)
            tree.add((), found)
    except (ArithmeticError, NameError):  # by its own slips on numbers and classes that do not exist
        told = {"fault": _DAMAGED}
    except Exception as error:  # noqa: BLE001 - any of a library, on a file that may hold anything
        told = {"fault": reason_in_words(error)}
    arrays = [(place, array.dtype.str, array.shape) for place, array in tree.arrays.items()]
    told = told or {"arrays": arrays, "names": [*map(list, tree.names)], "rates": [*tree.rates]}
    sys.stdout.buffer.write(json.dumps(told).encode() + b"\n")
    for array in tree.arrays.values():
        sys.stdout.buffer.write(np.ascontiguousarray(array).data)
    sys.stdout.buffer.flush()


if __name__ == "__main__":
    main()
