"""Reads files of people or other programs so that none of them can block the reader or fill its memory."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path


def read_small(path: Path, most_bytes: int) -> bytes:
    """The content of a regular file of at most so many bytes.

    Raises OSError, also for anything but a regular file (opening a FIFO would wait for ever) and for a larger file.
    """
    with open(path, "rb", opener=at_once) as file:
        content = file.read(most_bytes + 1)
    if len(content) > most_bytes:
        raise OSError(errno.EFBIG, f"it is larger than {size_in_words(most_bytes)}", str(path))
    return content


def read_whole(path: Path) -> bytes:
    """The content of a regular file of any size. Raises OSError, also for anything else."""
    with open(path, "rb", opener=at_once) as file:
        return file.read()


def at_once(path: str, flags: int) -> int:
    """An opener for `open` that takes regular files only. Raises OSError for anything else."""
    handle = os.open(path, flags | os.O_NONBLOCK)
    if stat.S_ISREG(os.fstat(handle).st_mode):
        return handle
    os.close(handle)
    raise OSError(errno.EINVAL, "it is not a regular file", str(path))


def size_in_words(size_bytes: int) -> str:
    """A size for a person, such as 4 MB."""
    return f"{size_bytes / 1e6:.0f} MB" if size_bytes >= 1_000_000 else f"{size_bytes / 1e3:.0f} kB"
