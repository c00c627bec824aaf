"""Converted channels in the cache, whatever has become of their files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from residue.archive.conversion import EVENT, GAP, SAMPLE, mapped

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
            found = mapped(file, SAMPLE)
            assert found is None or found.shape == written.shape, (at, bit)


def test_a_file_that_is_cut_anywhere_or_has_grown_is_not_what_was_written(tmp_path: Path, dtype: np.dtype) -> None:
    file = tmp_path / "a.npy"
    np.save(file, np.zeros(20, dtype), allow_pickle=False)
    content = file.read_bytes()
    for length in range(len(content)):
        file.write_bytes(content[:length])
        assert mapped(file, dtype) is None, length
    file.write_bytes(content + b"\0")
    assert mapped(file, dtype) is None


def test_an_empty_list_is_a_list(tmp_path: Path, dtype: np.dtype) -> None:
    np.save(tmp_path / "a.npy", np.zeros(0, dtype), allow_pickle=False)
    found = mapped(tmp_path / "a.npy", dtype)
    assert found is not None
    assert len(found) == 0
