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
