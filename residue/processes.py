"""Runs a part of residue in a process of its own, with real-time priority where needed."""

from __future__ import annotations

import multiprocessing
import os
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

MAKES_FRAMES = 20
"""A real-time priority above everything ordinary, below the kernel's own threads."""
PLAYS_FRAMES = 19
"""The process that plays waits for a device. If the device is lost, PortAudio loops without end: on a single processor
only a thread of a higher priority can still end it.
"""
PLANS = 15
"""A niceness below all work that people wait for; the engine always has priority over what plans."""
_FIRST_TO_GO = "500"
"""The kernel adds half of the machine's memory to what such a process takes, when it compares."""


def command_of(module: str, arguments: Sequence[str]) -> list[str]:
    """The command line that runs a module of residue in a process of its own, from any folder.

    Without -P, Python would take a folder named residue there, such as a clone, for the program.
    """
    return [sys.executable, "-P", "-m", module, *arguments]


def end_with_parent() -> None:
    """Has this process of a pool end with the one that started it, whatever ends that one; else it would wait for ever.

    To be called at its beginning. Both ends of the pipe from which it takes its work are open in itself, so it never
    sees that nobody writes there any more.
    """
    threading.Thread(target=_follow, daemon=True).start()


def _follow() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def keep_time(priority: int) -> None:
    """Gives the calling thread a real-time priority, where the unit or the user's limits allow it.

    Its children do not inherit it: on a single processor a starting process would block the others.
    """
    with suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(priority))


@contextmanager
def new_threads_keep_time(priority: int) -> Iterator[None]:
    """Gives a real-time priority, where that is allowed, to the threads that a library starts within the context."""
    before = _threads()
    yield
    for thread in _threads() - before:
        with suppress(OSError):
            os.sched_setscheduler(thread, os.SCHED_FIFO, os.sched_param(priority))


def give_way(niceness: int) -> None:
    """Lets all else go first: by a lower priority, and where memory is short the kernel ends this process and no other.

    Source: proc(5), oom_score_adj.
    """
    os.nice(niceness)
    with suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text(_FIRST_TO_GO)


def _threads() -> set[int]:
    return {int(one.name) for one in Path("/proc/self/task").iterdir()}
