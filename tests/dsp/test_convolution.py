"""Partitioned convolution against scipy's, whatever the blocks."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from residue.dsp.convolution import LONG, SHORT, Convolution
from tests.properties import tries

Floats = NDArray[np.float64]
RANDOM = np.random.default_rng(20_261_129)


def convolved(response: Floats, sound: Floats, cuts: list[int], short: int = SHORT, long: int = LONG) -> Floats:
    run = Convolution(response, len(sound), short=short, long=long)
    return np.concatenate([run(part) for part in np.split(sound, sorted(cuts), axis=1)], axis=1)


@pytest.mark.parametrize("taps", [1, 1_000, SHORT, LONG - 1, LONG, LONG + 1, 30_000])
@pytest.mark.parametrize(("inputs", "responses"), [(1, 2), (2, 1), (2, 2)])
def test_it_is_the_direct_convolution_a_partition_later(taps: int, inputs: int, responses: int) -> None:
    response, sound = RANDOM.normal(size=(responses, taps)), RANDOM.normal(size=(inputs, 60_000))
    found = convolved(response, sound, [1, 2_000, 50_000])
    expected = np.zeros((2, 60_000))
    for channel in range(2):
        x, h = sound[channel % inputs], response[channel % responses]
        expected[channel, SHORT:] = signal.oaconvolve(x, h)[: 60_000 - SHORT]
    assert np.abs(found - expected).max() < 1e-12 * np.sqrt(taps) * 10


@tries(quick=20, many=200)
@given(cuts=st.lists(st.integers(1, 999), max_size=20))
def test_no_cutting_changes_a_bit(cuts: list[int]) -> None:
    response, sound = np.sin(np.arange(150.0))[None], np.cos(np.arange(1_000.0) ** 2)[None]
    whole = convolved(response, sound, [], 8, 32)
    assert convolved(response, sound, cuts, 8, 32).tobytes() == whole.tobytes()
    assert whole[0, 8:] == pytest.approx(np.convolve(sound[0], response[0])[:992], abs=1e-12)


def test_after_the_response_there_is_silence() -> None:
    response, sound = RANDOM.normal(size=(1, 20_000)), np.zeros((1, 60_000))
    sound[0, 100] = 1.0
    found = convolved(response, sound, [])
    assert np.abs(found[0, 100 + SHORT : 100 + SHORT + 20_000] - response[0]).max() < 1e-12
    assert not found[:, 5 * LONG :].any()
