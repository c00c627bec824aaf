import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from residue.problems import ProblemError
from residue.runtime.system.files import occupied, replace_file


def test_a_file_is_replaced_as_a_whole(tmp_path: Path) -> None:
    path = tmp_path / "state" / "memory.json"
    replace_file(path, b"old")
    replace_file(path, b"new")
    assert path.read_bytes() == b"new"
    assert [found.name for found in path.parent.iterdir()] == ["memory.json"]


STEPS = ["pathlib.Path.open", "os.fsync", "pathlib.Path.replace", "os.open", "os.close"]


@pytest.mark.parametrize("step", STEPS)
def test_killed_before_any_step_the_old_or_the_new_is_there(tmp_path: Path, step: str) -> None:
    path = tmp_path / "memory.json"
    path.write_bytes(b"old")
    code = f"""
import os, pathlib, signal, sys
from residue.runtime.system.files import replace_file
def die(*arguments, **named):
    os.kill(os.getpid(), signal.SIGKILL)
{step} = die
replace_file(pathlib.Path(sys.argv[1]), b"new")
"""
    ended = subprocess.run([sys.executable, "-c", code, str(path)], check=False, timeout=60)
    assert ended.returncode == -signal.SIGKILL
    assert path.read_bytes() == (b"old" if STEPS.index(step) <= STEPS.index("pathlib.Path.replace") else b"new")


@pytest.mark.parametrize("name", ["memory.json", "memory.json.new"])
@pytest.mark.parametrize(
    "make",
    [
        pytest.param(lambda path, _: os.mkfifo(path), id="pipe"),
        pytest.param(lambda path, _: (path / "lost+found").mkdir(parents=True), id="folder"),
        pytest.param(lambda path, other: path.symlink_to(other), id="link"),
        pytest.param(lambda path, _: path.symlink_to(path), id="link to itself"),
    ],
)
def test_whatever_stands_in_its_place_the_file_is_written(
    tmp_path: Path, name: str, make: Callable[[Path, Path], None]
) -> None:
    """Such as after the repair of a file system; and nothing is written to where a link leads."""
    other = tmp_path / "other"
    other.write_bytes(b"of somebody else")
    state = tmp_path / "state"
    state.mkdir()
    make(state / name, other)
    replace_file(state / "memory.json", b"new")
    assert [(found.name, found.is_symlink()) for found in state.iterdir()] == [("memory.json", False)]
    assert (state / "memory.json").read_bytes() == b"new"
    assert other.read_bytes() == b"of somebody else"


def test_a_folder_is_used_by_one_process_at_a_time(tmp_path: Path) -> None:
    with (
        occupied(tmp_path / "state"),
        pytest.raises(ProblemError, match="Another residue uses it"),
        occupied(tmp_path / "state"),
    ):
        pass
    with occupied(tmp_path / "state"):
        pass


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(ProblemError, match="--state"), occupied(tmp_path / "file" / "state"):
        pass
