"""Limits the size of the cache: it keeps the files that the programme needs, and a fixed amount of older ones."""

from __future__ import annotations

import logging
import os
import shutil
import time
from collections.abc import Iterator, Set
from contextlib import suppress
from pathlib import Path

from residue.archive.beside import PREFIX

logger = logging.getLogger(__name__)

UNNEEDED_BYTES = 4 << 30
"""Files that the present programme does not need may take so much, so that a performance that returns is ready at once.
An hour of one channel takes 0.7 GB as sound and 0.03 GB as a slow signal. Our choice."""
LEFT_BEHIND_S = 86_400.0
"""An unfinished file that is a day old was left by an interruption."""


def tidy(cache: Path, needed: Set[Path], most_bytes: int = UNNEEDED_BYTES) -> None:
    """Removes unneeded files, the longest unused first, until no more than `most_bytes` of them are left.

    needed: files and folders two levels below `cache`; they count as used now.
    """
    for path in needed:
        with suppress(OSError):
            os.utime(path)
    _remove_halves(cache)
    kept = 0
    for path in sorted(set(cache.glob("*/*")) - needed, key=_used, reverse=True):
        kept += _size(path)
        if kept > most_bytes:
            logger.info("%s is removed from the cache", path.name)
            _remove(path)


def _remove_halves(cache: Path) -> None:
    for half in cache.rglob(f"{PREFIX}*"):
        if _used(half) < time.time() - LEFT_BEHIND_S:
            _remove(half)


def _used(path: Path) -> float:
    with suppress(OSError):
        return path.stat().st_mtime
    return 0.0


def _size(path: Path) -> int:
    return sum(_sizes([path, *path.rglob("*")]))


def _sizes(paths: list[Path]) -> Iterator[int]:
    for path in paths:
        with suppress(OSError):
            yield path.stat().st_size


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path, ignore_errors=True)
    else:
        with suppress(OSError):
            path.unlink()
