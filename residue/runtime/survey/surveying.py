"""A survey from the folder to its rows."""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from contextlib import closing
from functools import partial
from pathlib import Path

from residue.archive.fixity_of_many import find_bags
from residue.installation.load import PERFORMANCES, PIECE
from residue.problems import storable
from residue.runtime.survey.examining import Commission, SurveyJob, examine
from residue.runtime.survey.on_cluster import on_cluster
from residue.runtime.survey.row import SurveyedPerformance
from residue.runtime.survey.so_far import RowsSoFar
from residue.runtime.system.on_cores import on_cores

SurveyWork = Callable[[SurveyJob], tuple[SurveyJob, SurveyedPerformance]]


def jobs_in(folder: Path) -> list[SurveyJob]:
    """A job for each bag in a folder, or in an installation, at any depth and in the order of their names.

    Raises ProblemError.
    """
    folder = (folder / PERFORMANCES if (folder / PIECE).is_file() else folder).absolute()
    bags = ((storable(bag.relative_to(folder).as_posix()), bag) for bag in find_bags(folder))
    return [SurveyJob(storable(folder.name) if name == "." else name, str(bag)) for name, bag in sorted(bags)]


def survey(
    commission: Commission,
    jobs: Sequence[SurveyJob],
    so_far: RowsSoFar,
    *,
    processes: int | None = None,
    scheduler: str | None = None,
    told: Callable[[str, int], None] = lambda name, done: None,
) -> list[SurveyedPerformance]:
    """The rows in the order of the jobs, whoever made them, and in whichever order.

    processes: on this machine; scheduler: the address of a cluster instead. told: called with the name of a row and the
    number of those that are done. Raises ProblemError.
    """
    known = {job: row for job in jobs if (row := so_far.find(job)) is not None}
    if known:
        told("done before", len(known))
    left = [job for job in jobs if job not in known]
    # Closed whatever ends it: else all that is left would still be done before the program could end.
    with closing(_spread(partial(_examined, commission), left, processes, scheduler)) as done:
        for job, row in done:
            so_far.keep(job, row)
            known[job] = row
            told(job.name, len(known))
    return [known[job] for job in jobs]


def _spread(
    work: SurveyWork, jobs: Sequence[SurveyJob], processes: int | None, scheduler: str | None
) -> Generator[tuple[SurveyJob, SurveyedPerformance]]:
    if jobs and scheduler is None:
        yield from on_cores(work, jobs, _lost, processes)
    elif jobs and scheduler is not None:
        yield from on_cluster(work, jobs, _lost, scheduler)


def _examined(commission: Commission, job: SurveyJob) -> tuple[SurveyJob, SurveyedPerformance]:
    return job, examine(commission, job)


def _lost(job: SurveyJob) -> tuple[SurveyJob, SurveyedPerformance]:
    what = "Its process was ended each time that it was tried: memory may be short. Do it again, with more memory free."
    return job, SurveyedPerformance(name=job.name, problems=what)
