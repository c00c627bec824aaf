"""Files of the cache, whatever has become of them."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from residue.archive.conversion import EVENT, GAP, SAMPLE
from residue.archive.on_disk import on_disk

HEADER_BYTES = 128
"""Of a file in the npy format, version 1.0, with a plain dtype."""


@pytest.fixture(params=[SAMPLE, EVENT, GAP], ids=["samples", "events", "gaps"])
def dtype(request: pytest.FixtureRequest) -> np.dtype:
    found: np.dtype = request.param
    return found


def test_every_flipped_bit_of_a_header_is_noticed_or_means_the_same(tmp_path: Path) -> None:
    """A shape that is smaller by one bit would play on as a shorter channel."""
    file, written = tmp_path / "a.npy", np.zeros(1500, SAMPLE)
    np.save(file, written, allow_pickle=False)
    content = file.read_bytes()
    for at in range(HEADER_BYTES):
        for bit in range(8):
            file.write_bytes(content[:at] + bytes([content[at] ^ 1 << bit]) + content[at + 1 :])
            found = on_disk(file, SAMPLE)
            assert found is None or len(found) == len(written), (at, bit)


def test_a_file_that_is_cut_anywhere_or_has_grown_is_not_what_was_written(tmp_path: Path, dtype: np.dtype) -> None:
    file = tmp_path / "a.npy"
    np.save(file, np.zeros(20, dtype), allow_pickle=False)
    content = file.read_bytes()
    for length in range(len(content)):
        file.write_bytes(content[:length])
        assert on_disk(file, dtype) is None, length
    file.write_bytes(content + b"\0")
    assert on_disk(file, dtype) is None


@pytest.mark.parametrize("make", [os.mkfifo, os.mkdir])
def test_what_is_no_file_is_not_what_was_written(tmp_path: Path, make: Callable[[Path], None]) -> None:
    """Opening a pipe would wait for ever."""
    make(tmp_path / "a.npy")
    assert on_disk(tmp_path / "a.npy", SAMPLE) is None


def test_an_empty_list_is_a_list(tmp_path: Path, dtype: np.dtype) -> None:
    np.save(tmp_path / "a.npy", np.zeros(0, dtype), allow_pickle=False)
    found = on_disk(tmp_path / "a.npy", dtype)
    assert found is not None
    assert len(found) == 0


def test_parts_are_what_was_written(tmp_path: Path) -> None:
    """As numpy's own memory-mapped array gives them."""
    np.save(tmp_path / "a.npy", np.arange(1_500, dtype=SAMPLE))
    found, whole = on_disk(tmp_path / "a.npy", SAMPLE), np.load(tmp_path / "a.npy", mmap_mode="r")
    assert found is not None
    for part in (slice(0, 1), slice(700, 1_500), slice(1_490, 2_000), slice(5, 5), slice(None)):
        assert np.array_equal(found[part], whole[part])


def test_a_file_that_loses_its_end_while_it_is_played_is_an_error_and_no_end_of_the_process(tmp_path: Path) -> None:
    """A mapped file would have ended it, as it does where a sector can no longer be read: SIGBUS. Source: mmap(2)."""
    np.save(tmp_path / "a.npy", np.zeros(100_000, SAMPLE))
    found = on_disk(tmp_path / "a.npy", SAMPLE)
    assert found is not None
    os.truncate(tmp_path / "a.npy", 4_096)
    assert len(found[:10]) == 10
    with pytest.raises(OSError, match="shorter"):
        found[90_000:90_010]


def test_its_file_is_closed_with_it(tmp_path: Path) -> None:
    np.save(tmp_path / "a.npy", np.zeros(10, SAMPLE))
    before = open_files()
    found = on_disk(tmp_path / "a.npy", SAMPLE)
    assert open_files() == before + 1
    del found
    assert open_files() == before


def open_files() -> int:
    return sum(1 for _ in Path("/proc/self/fd").iterdir())
