"""Reads a MATLAB 5 file in a process of its own, as the library does not outlive every damaged one.

scipy looks up the type of an element in a table without asking whether the table goes that far. Some files with a
flipped bit end the process that reads them so.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import IO

import numpy as np
from numpy.lib import format as npy

from residue.archive.ingest.extras import reason_in_words, without_warnings
from residue.archive.ingest.sources.array_tree import ArrayTree
from residue.processes import command_of


class DamagedFileError(Exception):
    """The process that read a file was ended by it, or says why it cannot be read."""


def read_matlab(path: Path) -> ArrayTree:
    """The arrays of a file. Raises DamagedFileError."""
    command = command_of(__name__, [str(path)])
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as process:
        tree = None if process.stdout is None else _taken(process.stdout)
    if tree is None:
        raise DamagedFileError("it is damaged")
    return tree


def _taken(stream: IO[bytes]) -> ArrayTree | None:
    """What the other process gives; None where it ended before it was through."""
    try:
        head = json.loads(stream.readline())
        if "fault" in head:
            raise DamagedFileError(head["fault"])
        arrays = {tuple(place): npy.read_array(stream, allow_pickle=False) for place in head["places"]}
    except (ValueError, EOFError):
        return None
    return ArrayTree(arrays, head["names"], set(head["rates"]))


def main() -> None:
    """Writes what is told of a file in a line, and then its arrays, to the standard output."""
    import scipy.io  # here, as only this process needs it

    tree = ArrayTree()
    told: dict[str, object] = {}
    try:
        with without_warnings():
            tree.add((), scipy.io.loadmat(sys.argv[1], simplify_cells=True))
    except Exception as error:  # noqa: BLE001 - any of a library, on a file that may hold anything
        told = {"fault": reason_in_words(error)}
    told = told or {"places": [*tree.arrays], "names": [*map(list, tree.names)], "rates": [*tree.rates]}
    sys.stdout.buffer.write(json.dumps(told).encode() + b"\n")
    for array in tree.arrays.values():
        npy.write_array(sys.stdout.buffer, np.asarray(array), allow_pickle=False)
    sys.stdout.buffer.flush()


if __name__ == "__main__":
    main()
