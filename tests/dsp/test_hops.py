"""Hops of a stream are the same however it comes."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from residue.dsp.exact import Floats
from residue.dsp.hops import HopByHop

STREAMS = np.random.default_rng(1).normal(size=(2, 1_003))


@pytest.mark.parametrize("pieces", [[1_003], [0, 1, 9, 10, 11, 972], [7] * 143 + [2]])
def test_what_is_read_is_known_with_the_last_value_of_a_hop_and_held(pieces: list[int]) -> None:
    seen: list[Floats] = []

    def read(means: Floats) -> Floats:
        seen.append(means)
        return means

    by_hop, edges = HopByHop(10, read, np.zeros(2)), np.cumsum([0, *pieces])
    found = np.concatenate([by_hop(STREAMS[:, a:b]) for a, b in itertools.pairwise(edges)], axis=1)
    expected = STREAMS[:, :1_000].reshape(2, 100, 10).mean(axis=2)
    assert pytest.approx(expected, abs=1e-15) == np.array(seen).T
    assert (found[:, :9] == 0.0).all()
    assert np.array_equal(found[:, 9::10], np.array(seen).T)
    assert np.array_equal(found[:, 18::10], found[:, 9:-9:10])
