"""Lists what is below any folder: links are not followed, and depth is bounded."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from residue.problems import stopping

MOST_LEVELS = 64
"""Our choice: far deeper than any archive of recordings, and far below the limits of paths and programs."""


def entries_below(folder: Path) -> Iterator[os.DirEntry[str]]:
    """Every file, folder, link and anything else below a folder, in no order; entries that disappear are left out.

    Raises ProblemError where folders are more than MOST_LEVELS deep, and OSError where one cannot be listed.
    """
    pending = [(folder, 0)]
    while pending:
        place, level = pending.pop()
        if level > MOST_LEVELS:
            raise stopping(folder.name, "Its folders are nested too deeply.", "Copy the bag again from its source.")
        try:
            with os.scandir(place) as entries:
                found = list(entries)
        except FileNotFoundError:
            continue
        yield from found
        pending += [(Path(entry.path), level + 1) for entry in found if entry.is_dir(follow_symlinks=False)]


def files_below(folder: Path) -> Iterator[tuple[str, Path]]:
    """Everything below a folder that is no folder, links too, each by its path from there on. Raises likewise."""
    for entry in entries_below(folder):
        if not entry.is_dir(follow_symlinks=False):
            file = Path(entry.path)
            yield file.relative_to(folder).as_posix(), file
