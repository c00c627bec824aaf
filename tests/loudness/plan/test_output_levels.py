"""The levels of the outputs in the cache, whatever has become of their file."""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.output_levels import Measuring, OutputLevels
from residue.problems import ProblemError

LEVELS = [field.name for field in fields(OutputLevels)]
HEAD_BYTES, END_BYTES = 30, 90
"""The head of the archive, and the last entry of its directory with what follows it; all parts are built alike."""


@pytest.fixture
def kept(tmp_path: Path) -> tuple[OutputLevels, Path]:
    values = np.arange(4.0).reshape(2, 2)
    levels = OutputLevels(**dict.fromkeys(LEVELS, values))
    levels.save(tmp_path / "levels.npz")
    return levels, tmp_path / "levels.npz"


def spoilt(content: bytes) -> Iterator[bytes]:
    """Every bit of both ends flipped by itself, and every length to which the file can be cut."""
    places = {*range(HEAD_BYTES), *range(len(content) - END_BYTES, len(content))}
    for at in sorted(places):
        for bit in range(8):
            yield content[:at] + bytes([content[at] ^ 1 << bit]) + content[at + 1 :]
    yield from (content[:length] for length in range(0, len(content), 29))


def test_a_spoilt_file_is_refused_in_one_way_or_means_the_same(kept: tuple[OutputLevels, Path]) -> None:
    """Whoever loads it makes it again then; any other exception would end the planner at every start."""
    levels, path = kept
    content, refused = path.read_bytes(), 0
    for wrong in spoilt(content):
        path.write_bytes(wrong)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # zipfile and numpy warn of some of it
                found = OutputLevels.load(path)
        except ProblemError:
            refused += 1
        else:
            assert all(np.array_equal(getattr(found, name), getattr(levels, name)) for name in LEVELS)
    assert refused > 300


def test_levels_survive_being_kept(tmp_path: Path) -> None:
    measuring = Measuring({"left": Output(device_channel=1), "right": Output(device_channel=2)})
    measuring.take(np.random.default_rng(1).standard_normal((2, 20_000)))
    made = measuring.finished()
    made.save(tmp_path / "kept.npz")
    kept = OutputLevels.load(tmp_path / "kept.npz")
    assert all(np.array_equal(getattr(kept, name), getattr(made, name)) for name in LEVELS)


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 not really", b"plain words"])
def test_a_broken_file_is_named(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "kept.npz").write_bytes(content)
    with pytest.raises(ProblemError, match="levels cannot be read"):
        OutputLevels.load(tmp_path / "kept.npz")


def test_a_pipe_in_its_place_makes_nobody_wait(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "kept.npz")
    with pytest.raises(ProblemError, match="not a regular file"):
        OutputLevels.load(tmp_path / "kept.npz")
