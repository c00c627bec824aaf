from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
import scipy.io

from residue.archive.ingest.sources import matlab_process
from residue.archive.ingest.sources.matlab_process import DamagedFileError, read_matlab


def test_the_arrays_names_and_rates_of_a_file_are_those_that_scipy_reads(tmp_path: Path) -> None:
    emg = np.arange(12.0).reshape(4, 3)
    contents = {"body": {"emg": emg, "kind": np.array(["left", "right"], object)}, "fs": 500.0, "counts": np.arange(9)}
    scipy.io.savemat(tmp_path / "a.mat", contents)
    tree = read_matlab(tmp_path / "a.mat")
    assert set(tree.arrays) == {("body", "emg"), ("counts",)}
    assert np.array_equal(tree.arrays["body", "emg"], emg)
    assert tree.names == [["left", "right"]]
    assert tree.rates == {500.0}


def test_what_the_library_says_of_a_file_is_told(tmp_path: Path) -> None:
    (tmp_path / "a.mat").write_bytes(b"MATLAB 5.0 MAT-file".ljust(124) + b"\x00\x01IM" + bytes(64))
    with pytest.raises(DamagedFileError):
        read_matlab(tmp_path / "a.mat")


@pytest.mark.parametrize(
    "said",
    ["", '{"arrays": [[["emg"], "<f8", [3]]], "names": [], "rates": []}'],
    ids=["at once", "in between"],
)
def test_a_file_that_ends_the_process_is_told_as_damaged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, said: str
) -> None:
    """As scipy did on tests/fuzz/cases/mat/segmentation-fault-in-loadmat, by chance."""
    ends = f"import os, signal; print({said!r}, flush=True); os.kill(os.getpid(), signal.SIGSEGV)"
    monkeypatch.setattr(matlab_process, "command_of", lambda module, arguments: [sys.executable, "-c", ends])
    with pytest.raises(DamagedFileError, match="it is damaged"):
        read_matlab(tmp_path / "a.mat")
