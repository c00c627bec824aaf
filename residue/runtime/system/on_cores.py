"""Work on the cores of this machine, in processes of which each may be ended without harm to the others."""

from __future__ import annotations

import multiprocessing
import os
import threading
from collections.abc import Callable, Generator, Sequence
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import closing
from typing import TypeVar

from residue.processes import PLANS, end_with_parent, give_way

JobT = TypeVar("JobT")
DoneT = TypeVar("DoneT")

TRIES = 3
"""So often a job is begun again whose process was ended, as the kernel does where memory is short; our choice."""


def on_cores(
    work: Callable[[JobT], DoneT], jobs: Sequence[JobT], lost: Callable[[JobT], DoneT], processes: int | None = None
) -> Generator[DoneT]:
    """The result of each job, as soon as it is known.

    work: a function that another process can import. lost: the result of a job whose process was ended TRIES times.
    processes: if not given, as many as there are cores for this process. Raises what `work` raises.
    """
    count = min(processes or len(os.sched_getaffinity(0)), max(1, len(jobs)))
    cores = _Cores()
    with closing(cores), ThreadPoolExecutor(count) as threads:  # each of which only waits for a process of its own
        asked = [threads.submit(_done, cores, work, lost, job) for job in jobs]
        try:
            for answer in as_completed(asked):
                yield answer.result()
        finally:
            cores.ending.set()  # else what a person interrupts would be tried again
            for answer in asked:
                answer.cancel()


class _Cores:
    """A process for each thread that asks for one."""

    def __init__(self) -> None:
        self.ending = threading.Event()
        self._own = threading.local()
        self._pools: list[ProcessPoolExecutor] = []

    @property
    def own(self) -> ProcessPoolExecutor:
        """That of the calling thread; a new one where it has none."""
        if getattr(self._own, "pool", None) is None:
            # Spawned, not forked: there are threads.
            context = multiprocessing.get_context("spawn")
            self._own.pool = ProcessPoolExecutor(1, mp_context=context, initializer=_begin)
            self._pools.append(self._own.pool)
        found: ProcessPoolExecutor = self._own.pool
        return found

    def drop_own(self) -> None:
        """Forgets that of the calling thread, which was ended."""
        self._own.pool = None

    def close(self) -> None:
        """Ends all of them."""
        for pool in self._pools:
            pool.shutdown()


def _begin() -> None:
    give_way(PLANS)
    end_with_parent()


def _done(cores: _Cores, work: Callable[[JobT], DoneT], lost: Callable[[JobT], DoneT], job: JobT) -> DoneT:
    for _ in range(TRIES):
        if cores.ending.is_set():
            break
        try:
            return cores.own.submit(work, job).result()
        except BrokenProcessPool:
            cores.drop_own()
    return lost(job)
