"""A table of numbers on the disk, written in blocks of any length."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from residue.archive.ingest.stored import StoredNumbers

ROWS = 300_000
"""More than two pieces of two columns."""


def test_blocks_of_any_length_are_the_rows_in_order(tmp_path: Path) -> None:
    rows = np.random.default_rng(6).normal(size=(ROWS, 2))
    for frames in (1_001, 131_072, ROWS):
        numbers = StoredNumbers(tmp_path, 2)
        numbers.fill_blocks(rows[start : start + frames] for start in range(0, ROWS, frames))
        assert numbers.rows == ROWS
        for column in (0, 1):
            assert np.array_equal(numbers.read(column, start=7, stop=ROWS), rows[7:, column])
