"""The filter that remembers its state."""

from __future__ import annotations

import numpy as np

from residue.dsp.filters import SosFilter, lowpass


def test_a_block_in_any_order_of_memory_is_filtered_alike() -> None:
    block = np.random.default_rng(1).normal(size=(2, 480))
    expected = SosFilter(lowpass(100.0, 48_000.0), 2)(block)
    assert np.array_equal(SosFilter(lowpass(100.0, 48_000.0), 2)(np.asfortranarray(block)), expected)
    padded = np.zeros((2, 960))
    padded[:, ::2] = block
    assert np.array_equal(SosFilter(lowpass(100.0, 48_000.0), 2)(padded[:, ::2]), expected)
