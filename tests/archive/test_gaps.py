"""Gaps are bridged by straight lines, however the recording is read."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from residue.archive.gaps import Bridged, Gap

NAN = float("nan")


@dataclass(frozen=True)
class Held:
    values: NDArray[np.float64]
    rate_hz: Fraction = Fraction(1)

    @property
    def length(self) -> int:
        return len(self.values)

    def read(self, start: int, stop: int) -> NDArray[np.float64]:
        return self.values[start:stop]


def bridged(values: list[float]) -> list[float]:
    stream = Bridged(Held(np.array(values)))
    return list(stream.read(0, stream.length))


@pytest.mark.parametrize(
    ("recorded", "expected"),
    [
        pytest.param([1.0, 2.0], [1.0, 2.0], id="no gap"),
        pytest.param([1.0, NAN, NAN, NAN, 5.0], [1.0, 2.0, 3.0, 4.0, 5.0], id="a gap in the middle"),
        pytest.param([NAN, NAN, 3.0], [3.0, 3.0, 3.0], id="a gap at the start keeps the first value"),
        pytest.param([3.0, NAN], [3.0, 3.0], id="a gap at the end keeps the last value"),
        pytest.param([1.0, float("inf"), 3.0], [1.0, 2.0, 3.0], id="infinity is no value"),
        pytest.param([NAN, NAN], [0.0, 0.0], id="nothing but a gap is silence"),
        pytest.param([0.0, NAN, 2.0, NAN, 4.0], [0.0, 1.0, 2.0, 3.0, 4.0], id="two gaps"),
    ],
)
def test_a_straight_line_leads_over_a_gap(recorded: list[float], expected: list[float]) -> None:
    assert bridged(recorded) == pytest.approx(expected)


@given(
    values=st.lists(st.sampled_from([NAN, 0.0, 1.0, -3.5]), min_size=1, max_size=60),
    cuts=st.lists(st.integers(0, 60), max_size=10),
)
def test_the_lines_do_not_depend_on_how_the_recording_is_read(values: list[float], cuts: list[int]) -> None:
    stream = Bridged(Held(np.array(values)))
    edges = [0, *sorted(min(cut, len(values)) for cut in cuts), len(values)]
    parts = [stream.read(start, stop) for start, stop in itertools.pairwise(edges)]
    assert np.concatenate(parts).tolist() == bridged(values)


def test_the_gaps_met_are_told_once_each_in_order() -> None:
    values = np.arange(500_000.0)
    values[100:200_000] = NAN
    values[300_000:300_001] = NAN
    stream = Bridged(Held(values))
    for start in range(0, 500_000, 50_000):
        stream.read(start, start + 50_000)
    assert stream.gaps == [Gap(100, 200_000), Gap(300_000, 300_001)]


def test_a_gap_of_hours_is_searched_once() -> None:
    reads = []

    class Counting(Held):
        def read(self, start: int, stop: int) -> NDArray[np.float64]:
            reads.append(stop - start)
            return super().read(start, stop)

    values = np.full(10_000_000, NAN)
    values[0] = values[-1] = 1.0
    stream = Bridged(Counting(values, Fraction(1000)))
    for start in range(0, 10_000_000, 100_000):
        stream.read(start, start + 100_000)
    assert sum(reads) < 2.1 * len(values)


def test_samples_that_were_read_are_left_as_they_are() -> None:
    values = np.array([1.0, NAN, 3.0])
    Bridged(Held(values)).read(0, 3)
    assert np.isnan(values[1])
