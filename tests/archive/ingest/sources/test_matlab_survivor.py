"""What survives of MATLAB 5 files that were cut: checked against what scipy wrote."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
import scipy.io
from hypothesis import given
from hypothesis import strategies as st

from residue.archive.ingest.facts import TableFacts
from residue.archive.ingest.sources.catalogue import open_source
from residue.archive.ingest.sources.matlab_survivor import mended
from residue.problems import ProblemError
from tests.properties import tries

RNG = np.random.default_rng(6)
ROWS, COLUMNS = RNG.integers(-999, 999, (4000, 6)), RNG.normal(0, 1, (3, 4000))
PLENTY = 1 << 30


def saved(contents: dict[str, object], *, compressed: bool) -> bytes:
    file = BytesIO()
    scipy.io.savemat(cast(Any, file), contents, do_compression=compressed)  # its stubs say paths alone
    return file.getvalue()


def loaded(content: bytes) -> dict[str, np.ndarray]:
    found: dict[str, np.ndarray] = scipy.io.loadmat(cast(Any, BytesIO(content)), simplify_cells=True)
    return found


@pytest.mark.parametrize("compressed", [False, True])
def test_whole_variables_stay_and_of_the_cut_one_whole_columns(*, compressed: bool) -> None:
    content = saved({"fs": 500.0, "emg": ROWS}, compressed=compressed)
    whole, lost = mended(content[: round(0.6 * len(content))], PLENTY)
    found = loaded(whole)
    assert found["fs"] == 500.0
    assert 2 <= found["emg"].shape[1] < 5
    assert np.array_equal(found["emg"], ROWS[:, : found["emg"].shape[1]])
    assert lost == f"cut short or damaged: of emg, 4000 × {found['emg'].shape[1]} of 4000 × 6 numbers survive"


@pytest.mark.parametrize("compressed", [False, True])
@pytest.mark.parametrize("nested", [{"body": {"emg": COLUMNS}}, {"cells": np.array([COLUMNS, 0], object)}], ids=repr)
def test_channels_side_by_side_survive_up_to_the_cut_however_deep_they_stand(
    nested: dict[str, object], *, compressed: bool
) -> None:
    content = saved(nested, compressed=compressed)
    whole, lost = mended(content[: len(content) // 2], PLENTY)
    held = loaded(whole)
    found = held["body"]["emg"] if "body" in held else held["cells"][0]
    assert 1500 < found.shape[1] < 2500
    assert np.array_equal(found, COLUMNS[:, : found.shape[1]])
    assert f"3 × {found.shape[1]} of 3 × 4000 numbers survive" in lost


def test_a_damaged_variable_costs_those_behind_it_nothing() -> None:
    content = bytearray(saved({"a": ROWS, "b": COLUMNS, "fs": 500.0}, compressed=True))
    content[9_000:9_100] = bytes(100)
    whole, lost = mended(bytes(content), PLENTY)
    found = loaded(whole)
    assert np.array_equal(found["b"], COLUMNS)
    assert found["fs"] == 500.0
    assert lost == "cut short or damaged: one variable is lost"
    assert "a" not in found


def test_an_array_without_flags_costs_those_before_it_nothing() -> None:
    content = bytearray(saved({"b": COLUMNS, "emg": ROWS}, compressed=False))
    flags = content.index(b"emg") - 4 - 16 - 16  # before the name, the dimensions and the flags, with a tag each
    assert content[flags : flags + 8] == bytes([6, 0, 0, 0, 8, 0, 0, 0])
    content[flags + 4] = 0
    whole, lost = mended(bytes(content[:-8]), PLENTY)
    assert np.array_equal(loaded(whole)["b"], COLUMNS)
    assert lost == "cut short or damaged: one variable is lost"


def test_a_whole_file_stays_as_it_is() -> None:
    content = saved({"fs": 500.0, "emg": ROWS}, compressed=True)
    assert mended(content, PLENTY) == (content, "")


def test_what_a_person_allows_is_taken(tmp_path: Path) -> None:
    content = saved({"fs": 500.0, "emg": COLUMNS}, compressed=False)
    path = tmp_path / "a.mat"
    path.write_bytes(content[: len(content) // 2])
    with pytest.raises(ProblemError, match=r'write damaged = \["a.mat"\]'):
        open_source(path, None, tmp_path)
    source = open_source(path, None, tmp_path, salvage=True)
    found = [track.stream.read(0, track.stream.length) for track in source.tracks]
    assert np.array_equal(found, COLUMNS[:, : len(found[0])])
    assert source.tracks[0].stream.rate_hz == 500
    assert source.lost.startswith("cut short or damaged: of emg, 3 × ")


def test_what_survives_is_offered_before_a_person_has_told_the_rate(tmp_path: Path) -> None:
    content = saved({"emg": COLUMNS}, compressed=False)
    path = tmp_path / "a.mat"
    path.write_bytes(content[: len(content) // 2])
    with pytest.raises(ProblemError, match=r'write damaged = \["a.mat"\]'):
        open_source(path, None, tmp_path)


def test_what_is_no_such_file_is_told(tmp_path: Path) -> None:
    (tmp_path / "a.mat").write_bytes(bytes(200))
    with pytest.raises(ProblemError, match=r"^a\.mat: "):
        open_source(tmp_path / "a.mat", TableFacts(rate_hz=100), tmp_path, salvage=True)


@given(st.data())
@tries(many=200)
def test_any_cut_and_any_flipped_byte_gives_a_file(data: st.DataObject) -> None:
    """Whether scipy reads it as well is asked in a process of its own, which may end."""
    small = {"cells": np.array([np.arange(6.0), "a"], object), "s": {"x": np.eye(3), "y": 1j}, "n": "text"}
    content = bytearray(saved(small, compressed=data.draw(st.booleans())))
    content[data.draw(st.integers(128, len(content) - 1))] ^= data.draw(st.integers(0, 255))
    whole, _ = mended(bytes(content[: data.draw(st.integers(128, len(content)))]), PLENTY)
    assert whole[:128] == content[:128]
