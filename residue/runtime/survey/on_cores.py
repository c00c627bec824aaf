"""Work on the cores of this machine, in processes of which each may be ended without harm to the others."""

from __future__ import annotations

import multiprocessing
import os
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from functools import partial
from typing import TypeVar

from residue.runtime.planning.planning import NICENESS

JobT = TypeVar("JobT")
DoneT = TypeVar("DoneT")

TRIES = 3
"""So often a job is begun again whose process was ended, as the kernel does where memory is short; our choice."""


def on_cores(
    work: Callable[[JobT], DoneT], jobs: Sequence[JobT], lost: Callable[[JobT], DoneT], processes: int | None = None
) -> Iterator[DoneT]:
    """The result of each job, as soon as it is known.

    work: a function that another process can import. lost: the result of a job whose process was ended TRIES times.
    processes: if not given, as many as there are cores for this process. Raises what `work` raises.
    """
    count = min(processes or len(os.sched_getaffinity(0)), max(1, len(jobs)))
    own, ended = threading.local(), threading.Event()
    with ThreadPoolExecutor(count) as threads:  # each of which only waits for a process of its own
        asked = [threads.submit(partial(_done, own, ended, work, lost), job) for job in jobs]
        try:
            for answer in as_completed(asked):
                yield answer.result()
        finally:
            ended.set()  # else what a person interrupts would be tried again
            for answer in asked:
                answer.cancel()


def _done(
    own: threading.local,
    ended: threading.Event,
    work: Callable[[JobT], DoneT],
    lost: Callable[[JobT], DoneT],
    job: JobT,
) -> DoneT:
    for _ in range(TRIES):
        if ended.is_set():
            break
        if not hasattr(own, "pool"):
            # Spawned, not forked: there are threads. A pool that nobody holds any more ends its process.
            context = multiprocessing.get_context("spawn")
            own.pool = ProcessPoolExecutor(1, mp_context=context, initializer=os.nice, initargs=(NICENESS,))
        try:
            done: DoneT = own.pool.submit(work, job).result()
        except BrokenProcessPool:
            own.pool.shutdown()
            del own.pool
        else:
            return done
    return lost(job)
