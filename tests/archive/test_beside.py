"""A file that a person asked for is there whole, or what stood there before still is."""

from __future__ import annotations

import errno
import os
import stat
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from residue.archive.beside import asked_for, file_beside, folder_beside
from residue.problems import ProblemError


def test_what_fails_half_way_leaves_what_stood_there(tmp_path: Path) -> None:
    path = tmp_path / "effort.csv"
    path.write_text("before")

    def write_half() -> None:
        with asked_for(path) as making:
            making.write_text("half")
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with pytest.raises(ProblemError, match="The disk is full"):
        write_half()
    assert path.read_text() == "before"
    assert list(tmp_path.iterdir()) == [path]


def test_a_folder_that_is_not_there_is_told_and_not_made(tmp_path: Path) -> None:
    with pytest.raises(ProblemError, match="missing: It is not there"), asked_for(tmp_path / "missing" / "x.csv"):
        pass
    assert not list(tmp_path.iterdir())


@contextmanager
def umask(mask: int) -> Iterator[None]:
    before = os.umask(mask)
    try:
        yield
    finally:
        os.umask(before)


@pytest.mark.parametrize(("mask", "mode"), [(0o077, 0o600), (0o022, 0o644), (0o002, 0o664)])
def test_who_may_read_a_new_file_is_up_to_the_umask(tmp_path: Path, mask: int, mode: int) -> None:
    path = tmp_path / "effort.csv"
    with umask(mask), asked_for(path) as making:
        making.write_text("x")
    assert stat.S_IMODE(path.stat().st_mode) == mode


@pytest.mark.parametrize("mode", [0o600, 0o664])
def test_a_file_that_is_replaced_keeps_its_mode_and_is_nobodys_before(tmp_path: Path, mode: int) -> None:
    path = tmp_path / "effort.csv"
    path.touch()
    path.chmod(mode)
    with umask(0o022), asked_for(path) as making:
        assert stat.S_IMODE(making.stat().st_mode) == 0o600
        making.write_text("x")
    assert stat.S_IMODE(path.stat().st_mode) == mode


def test_what_nobody_asked_for_may_be_read_by_all_whatever_the_umask(tmp_path: Path) -> None:
    """As what a daemon keeps: whoever looks after the house may be another user."""
    with umask(0o077), file_beside(tmp_path / "kept") as making:
        making.write_text("x")
    assert stat.S_IMODE((tmp_path / "kept").stat().st_mode) == 0o644


@pytest.mark.parametrize(("mask", "mode"), [(0o077, 0o700), (0o022, 0o755), (0o002, 0o775)])
def test_who_may_look_into_a_new_folder_is_up_to_the_umask(tmp_path: Path, mask: int, mode: int) -> None:
    with umask(mask), folder_beside(tmp_path / "bag") as making:
        (making / "data").mkdir()
    assert [stat.S_IMODE((tmp_path / name).stat().st_mode) for name in ("bag", "bag/data")] == [mode, mode]


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "link.csv").symlink_to("x.csv")
    with asked_for(tmp_path / "link.csv") as making:
        making.write_text("x")
    assert (tmp_path / "link.csv").is_symlink()
    assert (tmp_path / "x.csv").read_text() == "x"


def test_a_pipe_stays_a_pipe(tmp_path: Path) -> None:
    pipe, read = tmp_path / "pipe", list[str]()
    os.mkfifo(pipe)
    reader = threading.Thread(target=lambda: read.append(pipe.read_text()))
    reader.start()
    with asked_for(pipe) as making:
        making.write_text("x")
    reader.join(timeout=30)
    assert read == ["x"]
    assert pipe.is_fifo()
