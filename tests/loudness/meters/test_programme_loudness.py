"""Loudness that is counted hop by hop, from the first whole block on."""

from __future__ import annotations

import numpy as np
import pytest

from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.meters.programme_loudness import GRAINS_PER_HOP, ProgrammeLoudness

POWER = 10.0 ** ((-23.0 + 0.691) / 10.0)  # K-weighted, of -23 LUFS: ITU-R BS.1770-5, Annex 1, eq. 2
HOP = np.full((1, GRAINS_PER_HOP), POWER * HOP_FRAMES / GRAINS_PER_HOP)


def test_only_whole_blocks_count() -> None:
    """Integrated: blocks of 400 ms (ITU-R BS.1770-5, Annex 1); range: of 3 s (EBU Tech 3342, section 2)."""
    meter, found = ProgrammeLoudness(1), []
    for _ in range(30):
        meter(HOP)
        found += meter.whole()
    assert [integrated for integrated, _ in found[:3]] == [None] * 3
    assert [integrated for integrated, _ in found[3:]] == [pytest.approx(-23.0, abs=0.01)] * 27
    assert [loudness_range for _, loudness_range in found] == [None] * 29 + [0.0]
    meter.begin()
    meter(HOP)
    assert meter.whole() == [(None, None)]


@pytest.mark.parametrize("at_once", [2, 7, 40])
def test_many_hops_at_once_count_as_one_by_one(at_once: int) -> None:
    grains = np.random.default_rng(1).exponential(POWER * HOP_FRAMES / GRAINS_PER_HOP, (3, 80 * GRAINS_PER_HOP))
    one_by_one, together = ProgrammeLoudness(3), ProgrammeLoudness(3)
    highest = np.zeros((2, 3))
    for first in range(0, 80, at_once):
        until = min(80, first + at_once)
        highest[:] = 0.0
        for hop in range(first, until):
            one_by_one(grains[:, hop * GRAINS_PER_HOP : (hop + 1) * GRAINS_PER_HOP])
            np.maximum(highest, (one_by_one.momentary_max, one_by_one.short_term_max), out=highest)
        together(grains[:, first * GRAINS_PER_HOP : until * GRAINS_PER_HOP])
        assert np.array_equal(one_by_one.means, together.means)
        assert np.array_equal(highest, (together.momentary_max, together.short_term_max))
        assert one_by_one.whole() == together.whole()
