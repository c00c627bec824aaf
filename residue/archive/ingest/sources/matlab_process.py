"""Reads a MATLAB 5 file in a process of its own, as the library does not outlive every damaged one.

scipy looks up the type of an element in a table without asking whether the table goes that far. Some files with a
flipped bit end the process that reads them so.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
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
_SALVAGE = "--salvage"
_MOST_BYTES = 1 << 30
"""Where the kernel does not say how much memory is free."""


class DamagedFileError(Exception):
    """The process that read a file was ended by it, or says why it cannot be read."""


def read_matlab(path: Path, *, salvage: bool = False) -> tuple[ArrayTree, str]:
    """The arrays of a file, and the loss in words. salvage: take what is there. Raises DamagedFileError."""
    command = command_of(__name__, [str(path), *([_SALVAGE] if salvage else [])])
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as process:
        taken = None if process.stdout is None else _taken(process.stdout)
    if taken is None:
        raise DamagedFileError(_DAMAGED)
    return taken


def _taken(stream: IO[bytes]) -> tuple[ArrayTree, str] | None:
    """What the other process gives; None where it ended before it was through."""
    try:
        head = json.loads(stream.readline())
        if "fault" in head:
            raise DamagedFileError(head["fault"])
        arrays = {tuple(place): _array(stream, dtype, shape) for place, dtype, shape in head["arrays"]}
    except ValueError:
        return None
    return ArrayTree(arrays, head["names"], set(head["rates"])), head["lost"]


def _array(stream: IO[bytes], dtype: str, shape: list[int]) -> NDArray[Any]:
    """Raises ValueError where the stream ends before."""
    length = np.dtype(dtype).itemsize * math.prod(shape)
    return np.frombuffer(stream.read(length), dtype).reshape(shape)


def main() -> None:
    """Writes what is told of a file in a line, and then its arrays, to the standard output."""
    import scipy.io  # here, as only this process needs it

    tree, lost = ArrayTree(), ""
    told: dict[str, object] = {}
    try:
        path, *salvage = sys.argv[1:]
        content: str | BytesIO = path
        if salvage:
            whole, lost = mended(Path(path).read_bytes(), (memory_free_bytes() or _MOST_BYTES) // 4)
            content = BytesIO(whole)
        with without_warnings():
            found = scipy.io.loadmat(content, simplify_cells=True)  # type: ignore[arg-type]  # it takes files too
            tree.add((), found)
    except (ArithmeticError, NameError):  # by its own slips on numbers and classes that do not exist
        told = {"fault": _DAMAGED}
    except Exception as error:  # noqa: BLE001 - any of a library, on a file that may hold anything
        told = {"fault": reason_in_words(error)}
    arrays = [(place, array.dtype.str, array.shape) for place, array in tree.arrays.items()]
    told = told or {"arrays": arrays, "names": [*map(list, tree.names)], "rates": [*tree.rates], "lost": lost}
    sys.stdout.buffer.write(json.dumps(told).encode() + b"\n")
    for array in tree.arrays.values():
        sys.stdout.buffer.write(np.ascontiguousarray(array).data)
    sys.stdout.buffer.flush()


if __name__ == "__main__":
    main()
