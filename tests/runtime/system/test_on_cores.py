"""Work beside each other, of which each process may be ended."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from contextlib import closing
from functools import partial
from pathlib import Path

from residue.runtime.system.on_cores import TRIES, on_cores
from tests.runtime.asking import wait_until

ROOT = Path(__file__).parents[3]


def doubled(folder: Path, number: int) -> int:
    """Ends its own process at 1, the first time only, and at 2 always, as the kernel does where memory is short."""
    tries = folder / str(number)
    with tries.open("a") as file:
        file.write(".")
    if number == 2 or (number == 1 and tries.read_text() == "."):
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * number


def test_what_a_lost_process_had_is_tried_again_and_costs_no_other(tmp_path: Path) -> None:
    done = on_cores(partial(doubled, tmp_path), range(6), lambda number: -number, processes=2)
    assert sorted(done) == [-2, 0, 2, 6, 8, 10]
    assert len((tmp_path / "2").read_text()) == TRIES
    assert {(tmp_path / str(number)).read_text() for number in (0, 3, 4, 5)} == {"."}


def test_what_nobody_waits_for_any_more_is_not_begun(tmp_path: Path) -> None:
    jobs = range(3, 3_000)  # so many that they are not all done before this process is given its turn
    done = on_cores(partial(doubled, tmp_path), jobs, lambda number: -number, processes=1)
    with closing(done):
        assert next(done) // 2 in jobs
    assert len(list(tmp_path.iterdir())) < len(jobs)


_ENDLESS = """
import sys
from functools import partial
from pathlib import Path
from residue.runtime.system.on_cores import on_cores
from tests.runtime.system.test_on_cores import endless

list(on_cores(partial(endless, Path(sys.argv[1])), [1], print, processes=1))
"""


def endless(place: Path, number: int) -> int:
    """Tells its process, and never comes to an end."""
    beside = place.with_suffix(".new")
    beside.write_text(str(os.getpid()))
    beside.replace(place)
    while True:
        number += 1


def test_a_process_ends_with_the_one_that_started_it_however_that_ends(tmp_path: Path) -> None:
    place = tmp_path / "process"
    with subprocess.Popen([sys.executable, "-c", _ENDLESS, str(place)], cwd=ROOT) as parent:
        wait_until(place.exists)
        process = int(place.read_text())
        assert runs(process)
        parent.kill()
    wait_until(lambda: not runs(process))


def runs(process: int) -> bool:
    """Whether it is there, and not only waits for somebody to ask how it ended."""
    try:
        state = Path(f"/proc/{process}/stat").read_text().rpartition(") ")[2][0]
    except FileNotFoundError:
        return False
    return state != "Z"
