"""How a survey grows with its collection: python -m tests.bench.survey [--most N]

Elapsed time and processor time of `residue survey` over 1 to N performances of 5 s, with one process for each core, and
the most memory of one of its processes. Beside each figure stands the power of its growth since the one before: 1 is
linear. The starts of the processes are a constant part.
"""

from __future__ import annotations

import argparse
import os
import resource
import sys
import tempfile
import time
from math import log
from pathlib import Path

from residue.runtime.survey.examining import commissioned
from residue.runtime.survey.so_far import RowsSoFar
from residue.runtime.survey.surveying import jobs_in, survey
from residue.runtime.survey.writing import write_survey
from tests.runtime.survey.collection import collection, piece

COUNTS = (1, 10, 100, 1_000)


def measured(folder: Path, count: int) -> tuple[float, float]:
    """Elapsed and processor time in seconds, from the folder to the written table."""
    evenings = collection(folder / f"{count}", count, duration_s=5.0, longer_s=0.0)
    installation, commission = commissioned(folder / "piece")
    began_s, before_s = time.monotonic(), _processor_s()
    rows = survey(commission, jobs_in(evenings), RowsSoFar(folder / "so far", commission))
    write_survey(installation, rows, folder / "survey")
    return time.monotonic() - began_s, _processor_s() - before_s


def _processor_s() -> float:
    used = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(one.ru_utime + one.ru_stime for one in used)


def main() -> None:
    """Print it all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--most", type=int, default=COUNTS[-1])
    most = parser.parse_args().most
    before: tuple[int, float] | None = None
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        os.environ["XDG_CACHE_HOME"] = str(folder / "cache")
        piece(folder / "piece")
        for count in (count for count in COUNTS if count <= most):
            elapsed_s, spent_s = measured(folder, count)
            power = "" if before is None else f"{log(spent_s / before[1]) / log(count / before[0]):.2f}"
            memory_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1e3
            sys.stdout.write(f"{count:>6,} {elapsed_s:>8.1f} s {spent_s:>8.1f} s {power:>6} {memory_mb:>7.0f} MB\n")
            sys.stdout.flush()
            before = count, spent_s


if __name__ == "__main__":
    main()
