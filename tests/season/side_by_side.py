"""Several seasons at once, each from a seed of its own and in a process of its own."""

from __future__ import annotations

import logging
import multiprocessing
import os
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from unittest.mock import patch

from residue.schedule import expansion
from tests.season.account import Totals
from tests.season.folder import asked_once
from tests.season.season import Season

_MEMORY = Path("/dev/shm")


@contextmanager
def state_folder() -> Iterator[Path]:
    """In memory where there is such a place: what a log costs on a disk is not what is tried here."""
    with tempfile.TemporaryDirectory(dir=_MEMORY if os.access(_MEMORY, os.W_OK) else None) as folder:
        yield Path(folder)


def through(seed: int, faults_a_day: float, days: float, *, every_second: bool = False) -> Totals:
    """A season that was survived; one that was not names its seed, as AssertionError."""
    with state_folder() as folder, patch.object(expansion, "_asked", asked_once):
        season = Season(seed, faults_a_day, folder, every_second=every_second)
        try:
            season.run(days)
        except AssertionError as error:
            again = f"python -m tests.season --days {days} --seed {seed} --faults-a-day {faults_a_day:g}"
            raise AssertionError(f"{error}\nAgain with: {again}") from error
    return season.account.totals


def _quiet() -> None:
    logging.getLogger("residue").setLevel(logging.CRITICAL)  # every lost device would have its line


def all_through(seeds: Sequence[int], faults_a_day: float, days: float) -> Totals:
    """All together; as many at once as there are processors."""
    found = Totals()
    with ProcessPoolExecutor(mp_context=multiprocessing.get_context("fork"), initializer=_quiet) as pool:
        for totals in pool.map(partial(through, faults_a_day=faults_a_day, days=days), seeds):
            found.add(totals)
    return found
