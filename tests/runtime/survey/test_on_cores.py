"""Work beside each other, of which each process may be ended."""

from __future__ import annotations

import os
import signal
from functools import partial
from pathlib import Path

from residue.runtime.survey.on_cores import TRIES, on_cores


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
