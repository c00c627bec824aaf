"""Files that are whole after an interruption at any moment."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from residue.archive.beside import asked_for, clear, clear_folder
from residue.problems import stopping

if TYPE_CHECKING:  # the daemon draws nothing, and does not load the libraries for it
    from matplotlib.figure import Figure


def replace_file(path: Path, content: bytes) -> None:
    """Writes a file so that every reader, even after a power cut, finds the old content or the new. Raises OSError.

    Source: write aside, fsync, rename, fsync of the folder; POSIX makes the rename atomic.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(path.name + ".new")
    clear(beside)  # writing to a pipe would wait for ever, and a link leads elsewhere
    clear_folder(path)
    with beside.open("xb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def save_picture(figure: Figure, path: Path) -> None:
    """Writes a picture in the format of its path's ending. Raises ProblemError."""
    with asked_for(path) as making:
        figure.savefig(making)


@contextmanager
def occupied(folder: Path) -> Iterator[None]:
    """A folder that only one process may use at a time; it is made if it is missing.

    Raises ProblemError where it cannot be made or is in use.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    except OSError as error:
        mend = "Name another folder with --state."
        raise stopping(str(folder), f"It cannot be used: {error.strerror}.", mend) from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        what = "Another residue uses it at this moment."
        raise stopping(str(folder), what, "End the other one, or name another folder with --state.") from error
    else:
        yield
    finally:
        os.close(lock)
