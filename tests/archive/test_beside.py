"""A file that a person asked for is there whole, or what stood there before still is."""

from __future__ import annotations

import errno
import os
import threading
from pathlib import Path

import pytest

from residue.archive.beside import asked_for
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
