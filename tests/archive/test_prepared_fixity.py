"""Prepared channels that a disk changes without anybody writing to them."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from residue.archive.prepared import prepare, prepared_folder
from residue.archive.prepared_fixity import SUMS, reread
from residue.mapping.signals import Kind
from tests.archive.bags import sealed_bag

NEEDS = {"back_of_head": {Kind.SLOW}, "beats": {Kind.EVENTS}}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    bag = sealed_bag(tmp_path)
    prepare(bag.path, NEEDS, tmp_path / "cache")
    return prepared_folder(tmp_path / "cache", bag.digest)


def nobody(count: int) -> None:
    """Is told of what has been read."""


def rot(file: Path) -> None:
    """Another bit, and everything else as it was."""
    stat, content = file.stat(), bytearray(file.read_bytes())
    content[-1] ^= 1
    file.write_bytes(content)
    os.utime(file, ns=(stat.st_atime_ns, stat.st_mtime_ns))


def test_what_is_as_it_was_has_nothing_to_tell(folder: Path) -> None:
    read: list[int] = []
    assert reread(folder, "first-batch", read.append) == []
    assert reread(folder, "first-batch", nobody) == []
    assert sum(read) == sum(file.stat().st_size for file in folder.iterdir() if file.name != SUMS)


def test_a_changed_bit_is_told_and_the_file_is_removed_so_that_it_is_made_anew(folder: Path, tmp_path: Path) -> None:
    reread(folder, "first-batch", nobody)
    rot(folder / "back_of_head.slow.npy")
    [finding] = reread(folder, "first-batch", nobody)
    assert finding.where == "first-batch"
    assert "back_of_head.slow.npy has changed although nobody wrote to it" in finding.what
    assert not (folder / "back_of_head.slow.npy").exists()
    prepare(tmp_path / "first-batch", NEEDS, tmp_path / "cache")
    assert reread(folder, "first-batch", nobody) == []


def test_a_pipe_in_its_place_is_told_and_removed_and_makes_nobody_wait(folder: Path) -> None:
    (folder / "back_of_head.slow.npy").unlink()
    os.mkfifo(folder / "back_of_head.slow.npy")
    [finding] = reread(folder, "first-batch", nobody)
    assert "it is not a regular file" in finding.what
    assert not (folder / "back_of_head.slow.npy").exists()


def test_a_file_that_was_written_anew_is_no_rot(folder: Path) -> None:
    reread(folder, "first-batch", nobody)
    file = folder / "beats.events.npy"
    file.write_bytes(file.read_bytes() + b"\0")
    assert reread(folder, "first-batch", nobody) == []


def test_sums_that_are_spoilt_themselves_are_taken_anew(folder: Path) -> None:
    reread(folder, "first-batch", nobody)
    (folder / SUMS).write_bytes(b"\0" * 10)
    assert reread(folder, "first-batch", nobody) == []
    rot(folder / "beats.events.npy")
    assert len(reread(folder, "first-batch", nobody)) == 1


def test_nothing_prepared_is_nothing_to_read(tmp_path: Path) -> None:
    assert reread(tmp_path / "nothing", "first-batch", nobody) == []
    assert not (tmp_path / "nothing").exists()
