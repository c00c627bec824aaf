"""Work on a cluster of machines, through the scheduler of Dask (https://docs.dask.org), which tries again by itself.

The machines of a cluster run what they are sent: it belongs on a network in which everybody is trusted.
"""

from __future__ import annotations

import importlib
import logging
from collections.abc import Callable, Generator, Mapping, Sequence
from typing import Any

from residue.archive.ingest.extras import install_command, reason_in_words
from residue.problems import stopping
from residue.runtime.offline.fingerprint import Versions, versions
from residue.runtime.system.on_cores import DoneT, JobT

_ANSWERS_WITHIN_S = 10


def on_cluster(
    work: Callable[[JobT], DoneT], jobs: Sequence[JobT], lost: Callable[[JobT], DoneT], scheduler: str
) -> Generator[DoneT]:
    """The result of each job, as soon as it is known.

    lost: the result of a job during which too many workers were ended. scheduler: its address, as tcp://HOST:PORT.
    Raises ProblemError where it does not answer, has no workers, or has workers with other programs than this machine.
    """
    distributed = _distributed()
    try:
        client = distributed.Client(scheduler, timeout=_ANSWERS_WITHIN_S)
    except (OSError, ValueError) as error:  # no connection in time is an OSError
        what = f"No scheduler answers there: {reason_in_words(error)}."
        raise stopping(f"--scheduler {scheduler}", what, "Start one with: dask scheduler") from error
    with client:
        _check_workers(client, scheduler)
        asked = dict(zip(client.map(work, jobs, pure=False), jobs, strict=True))
        for answer in distributed.as_completed(list(asked)):
            try:
                yield answer.result()
            except distributed.KilledWorker:
                yield lost(asked[answer])
            except (distributed.client.FutureCancelledError, OSError) as error:
                what = "The scheduler can no longer be reached."
                mend = (
                    "Start it and its workers again, then type the same line again: it goes on with what is not done."
                )
                raise stopping(f"--scheduler {scheduler}", what, mend) from error


def _distributed() -> Any:
    try:
        found = importlib.import_module("distributed")
    except ImportError as error:
        what = "It needs a library that is not installed here."
        raise stopping("--scheduler", what, f"Install it with: {install_command('distributed')}") from error
    logging.getLogger("distributed").setLevel(logging.CRITICAL)  # our findings report the same
    return found


def _check_workers(client: Any, scheduler: str) -> None:
    """Raises ProblemError where no worker is there, or one would give other bits."""
    where = f"--scheduler {scheduler}"
    try:
        found: Mapping[str, Versions] = client.run(versions)
    except ImportError as error:
        what = f"A worker of it cannot load residue: {error}."
        raise stopping(where, what, "Install the same residue for every worker.") from error
    if not found:
        raise stopping(where, "It has no worker.", f"Start one with: dask worker {scheduler}")
    if unlike := unlike_workers(found, versions()):
        what = f"{unlike}: the table would depend on who made which row."
        raise stopping(where, what, "Install the same versions for every worker.")


def unlike_workers(found: Mapping[str, Versions], own: Versions) -> str:
    """In words, which workers have other versions than this machine; empty where none has."""
    differences = []
    for worker, theirs in sorted(found.items()):
        if unlike := ", ".join(f"{name} {one} instead of {other}" for name, one, other in theirs.unlike(own)):
            differences.append(f"The worker {worker} has {unlike}")
    return "; ".join(differences)
