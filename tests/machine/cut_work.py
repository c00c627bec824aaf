"""What the virtual machine does while its power is cut: one of three kinds of work, again and again.

    python cut_work.py KIND PLACE SOURCES

KIND is logging, swapping or ingesting; PLACE a folder on the disk of the virtual machine; SOURCES holds what is swapped
and ingested. What is done, and on the disk, is said on standard output: a line "KIND number".
"""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable
from datetime import UTC, date, datetime
from itertools import count
from pathlib import Path

from residue.archive.ingest.describe import read_description
from residue.archive.ingest.run import ingest
from residue.archive.swap.asking import ask_back, stage
from residue.archive.swap.places import When
from residue.archive.swap.taking import recover, take, waiting
from residue.runtime.journal.log import LevelLog, event
from residue.runtime.system.clock import uptime
from residue.runtime.system.files import replace_file

NAME = "first-batch"
KEPT = 3
"""Of the ingested bags; the older ones are removed."""
ON = date(2026, 3, 1)


def logging(place: Path, _sources: Path) -> Callable[[int], None]:
    """A row of the log, then the memory of the house, as the log writer does."""
    log = LevelLog(place / "levels.sqlite")

    def once(number: int) -> None:
        log.write([event(datetime.now(UTC), uptime(), "work", str(number))])
        replace_file(place / "memory.json", str(number).encode())

    return once


def swapping(place: Path, sources: Path) -> Callable[[int], None]:
    """The other bag in the place of the one that plays; every third time back to the one before."""
    recover(place)

    def once(number: int) -> None:
        asked = datetime.now(UTC)
        if number % 3 == 2:
            ask_back(place, NAME, When.NOW, asked)
        else:
            stage(sources / "bags" / str(number % 2), place, NAME, When.NOW, {}, asked)
        take(place, waiting(place)[0])

    return once


def ingesting(place: Path, sources: Path) -> Callable[[int], None]:
    """A recording sealed as one more bag."""
    description = read_description(sources / "describe.toml")

    def once(number: int) -> None:
        ingest([sources / "stick"], place / str(number), description, ON)
        shutil.rmtree(place / str(number - KEPT), ignore_errors=True)

    return once


WORK = {"logging": logging, "swapping": swapping, "ingesting": ingesting}


def main() -> None:
    """Works until the power is cut."""
    kind, place, sources = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])
    place.mkdir(parents=True, exist_ok=True)
    once = WORK[kind](place, sources)
    for number in count():
        once(number)
        sys.stdout.write(f"{kind} {number}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
