"""Rows that came unevenly, on an even grid."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.archive.ingest.columns import HeldColumn
from residue.archive.ingest.facts import TableFacts
from residue.archive.ingest.sources.table import open_table_source
from residue.archive.ingest.uneven import even_grid
from residue.problems import ProblemError
from tests.properties import tries


def on_grid(times: np.ndarray, values: np.ndarray, rate_hz: float) -> np.ndarray:
    times_s = HeldColumn(times)
    stream = even_grid("a.csv", times_s, rate_hz).stream(HeldColumn(values), times_s)
    return stream.read(0, stream.length)


def test_the_lines_are_those_of_numpy() -> None:
    rng = np.random.default_rng(3)
    times = 12.5 + np.cumsum(rng.uniform(0.005, 0.02, 2000))
    values = rng.normal(size=2000)
    found = on_grid(times, values, 100.0)
    assert np.array_equal(found, np.interp(times[0] + np.arange(len(found)) / 100, times, values))
    assert len(found) == int((times[-1] - times[0]) * 100) + 1


def test_a_gap_stays_where_rows_are_missing_and_beside_a_row_without_a_number() -> None:
    times = np.array([0, 1, 2.5, 3, 10, 11, 12, 13, 14])
    values = np.array([0, 10, 25, 30, 100, 110, np.nan, 130, 140])
    found = on_grid(times, values, 1.0)
    assert found[:4].tolist() == [0, 10, 20, 30]
    assert np.isnan(found[4:10]).all()
    assert found[10:12].tolist() == [100, 110]
    assert np.isnan(found[12])
    assert found[13:].tolist() == [130, 140]


@given(data=st.data())
@tries(many=100)
def test_the_same_samples_come_in_whatever_pieces(data: st.DataObject) -> None:
    steps = data.draw(st.lists(st.floats(0.01, 3), min_size=2, max_size=30))
    times_s = HeldColumn(np.cumsum(steps))
    mean_hz = (len(steps) - 1) / (times_s.values[-1] - times_s.values[0])
    rate_hz = data.draw(st.floats(0.5 * mean_hz, 4 * mean_hz).map(lambda rate: max(rate, 0.51 * mean_hz)))
    stream = even_grid("a.csv", times_s, rate_hz).stream(HeldColumn(np.array(steps)), times_s)
    whole = stream.read(0, stream.length)
    start = data.draw(st.integers(0, stream.length))
    stop = data.draw(st.integers(start, stream.length))
    assert np.array_equal(stream.read(start, stop), whole[start:stop], equal_nan=True)
    assert len(whole) == stream.length


def test_a_grid_that_would_fold_fast_into_slow_is_refused() -> None:
    times_s = HeldColumn(np.arange(1000) / 100)
    with pytest.raises(ProblemError, match=r"came 100 times a second.*resample_hz = 100 or more"):
        even_grid("a.csv", times_s, 10.0)


def test_a_table_tells_how_its_rows_came_onto_the_grid(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("t,emg\n0,1\n0.3,4\n0.4,5\n1.1,12\n", encoding="utf-8")
    source = open_table_source(path, TableFacts(time="t", resample_hz=10), tmp_path)
    stream = source.tracks[0].stream
    assert stream.read(0, stream.length)[:5] == pytest.approx([1, 2, 3, 4, 5])
    assert "even grid of 10 Hz by straight lines" in source.told[0]
