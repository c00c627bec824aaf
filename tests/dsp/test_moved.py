"""A sensor that is stuck, told from one that moves a little."""

from __future__ import annotations

import numpy as np
import pytest

from residue.archive.conversion import fitted
from residue.dsp.moved import Moved
from residue.dsp.resampling import resampled
from residue.mapping.signals import CONTROL_RATE_HZ
from tests.archive.streams import held_stream


@pytest.mark.parametrize("short", [False, True])
@pytest.mark.parametrize("rate_hz", [40, 50, 128, 256, 1000])
def test_a_constant_that_was_converted_stands_still(rate_hz: int, *, short: bool) -> None:
    """The filters of a conversion do not pass a constant to the last bit: to be equal is too much to ask."""
    stream = resampled(held_stream(np.full(10 * rate_hz, 1.87), rate_hz), CONTROL_RATE_HZ, short=short)
    values = fitted(stream.read(0, stream.length)).astype(np.float64)
    moved = Moved(2 * CONTROL_RATE_HZ)(values[None])[0]
    assert np.isinf(moved[: 2 * CONTROL_RATE_HZ - 1]).all()
    assert (moved[2 * CONTROL_RATE_HZ :] == 0.0).all()


def test_the_last_digit_of_16_bits_is_movement() -> None:
    """2 g in 32,768 steps, at 1 g."""
    values = np.ones((1, 6_000))
    values[0, 3_000:] += 2.0 / 32_768
    moved = Moved(1_000)(values)[0]
    assert moved[2_999] == 0.0
    assert moved[3_024:3_999] == pytest.approx(2.0 / 32_768)
    assert moved[-1] == 0.0


def test_the_blocks_change_nothing() -> None:
    values = np.random.default_rng(1).normal(size=(3, 5_000))
    values[1, 2_000:4_000] = 7.0
    whole, cut = Moved(333), Moved(333)
    pieces = [cut(piece) for piece in np.split(values, [1, 2, 500, 501, 3_333], axis=1)]
    assert np.array_equal(np.concatenate(pieces, axis=1), whole(values))
