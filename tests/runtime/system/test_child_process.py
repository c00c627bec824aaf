"""Work of another process: modules of Python's own stand for it."""

from __future__ import annotations

import gc
import time
from collections.abc import Sequence
from pathlib import Path

import pytest

from residue.runtime.system.child_process import ChildProcess
from tests.runtime.asking import wait_until


def ended(module: str, arguments: Sequence[str]) -> ChildProcess:
    errand = ChildProcess(module, arguments)
    while errand.status is None:
        time.sleep(0.02)  # the other process is the niced one
    return errand


def test_it_keeps_what_is_said_and_the_status() -> None:
    errand = ended("calendar", ["--type", "text", "2026", "3"])
    assert errand.status == 0
    assert errand.said[0].strip() == b"March 2026"
    errand.end()


def test_a_folder_of_its_name_where_somebody_stands_is_not_taken_for_the_program(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "residue" / "runtime").mkdir(parents=True)
    (tmp_path / "residue" / "runtime" / "planning.py").write_text("raise SystemExit(7)")
    monkeypatch.chdir(tmp_path)
    errand = ended("residue.runtime.planning.planning", ["--help"])
    assert errand.status != 7, errand.complaint
    errand.end()


@pytest.mark.parametrize(
    ("module", "arguments", "complaint"),
    [
        ("timeit", ["raise ValueError('no flour')"], "ValueError: no flour"),
        ("timeit", ["import os; os.abort()"], "It ended with status -6: memory may be short. Ask again."),
        ("timeit", ["import os; os.write(2, b'The dough is cold.'); os._exit(1)"], "The dough is cold."),
    ],
    ids=["a fault of our own", "ended by a signal", "a sentence for people"],
)
def test_what_goes_wrong_is_one_message(module: str, arguments: Sequence[str], complaint: str) -> None:
    errand = ended(module, arguments)
    assert errand.complaint == complaint
    errand.end()


def test_one_that_is_ended_is_at_work_no_longer() -> None:
    errand = ChildProcess("timeit", ["while True: pass"])
    assert errand.status is None
    errand.end()
    assert errand.status is not None


DEAF = "import os, signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); os.write(1, b'%d\\n' % os.getpid()); "


def test_one_that_ends_later_than_anybody_waits_is_cleared_away_then(tmp_path: Path) -> None:
    """What is forgotten while it runs would be a zombie afterwards, and Python warns of it."""
    may_end = tmp_path / "may end"
    until = f"\nwhile not os.path.exists({str(may_end)!r}): time.sleep(0.02)"
    errand = ChildProcess("timeit", ["-n", "1", "-r", "1", DEAF + until])
    while not (said := errand.said):
        time.sleep(0.02)
    process = Path("/proc", said[0].decode().strip())
    errand.end(0.0)
    del errand
    gc.collect()
    assert process.exists(), "it is still at work"
    may_end.touch()
    wait_until(lambda: not process.exists())
