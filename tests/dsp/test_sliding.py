"""Sliding folds against the plain definition, however the stream is cut."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.dsp.delay import DelayLine
from residue.dsp.phase import Phasor
from residue.dsp.sliding import FallingMaximum, Filled, sliding_maximum, sliding_sum

STREAM = np.random.default_rng(2).integers(-1000, 1000, 700).astype(np.float64)

cuttings = st.lists(st.integers(0, 700), max_size=9).map(sorted)


@given(window=st.integers(1, 300), cuts=cuttings)
def test_a_sliding_sum_of_whole_numbers_is_exact(window: int, cuts: list[int]) -> None:
    run = sliding_sum(window)
    found = np.concatenate([run(part) for part in np.split(STREAM, cuts)])
    expected = [STREAM[max(0, n + 1 - window) : n + 1].sum() for n in range(700)]
    assert np.array_equal(found, expected)


@given(window=st.integers(1, 300), cuts=cuttings)
def test_a_sliding_maximum_is_the_highest_of_the_window(window: int, cuts: list[int]) -> None:
    run = sliding_maximum(window)
    found = np.concatenate([run(part) for part in np.split(STREAM, cuts)])
    assert np.array_equal(found, [STREAM[max(0, n + 1 - window) : n + 1].max() for n in range(700)])


@given(window=st.integers(1, 300), cuts=cuttings)
def test_a_window_is_full_from_its_last_value_on(window: int, cuts: list[int]) -> None:
    filled = Filled(window)
    found = np.concatenate([filled(len(part)) for part in np.split(STREAM, cuts)])
    assert np.flatnonzero(found).tolist() == list(range(window - 1, 700))


@pytest.mark.parametrize("fall", [0.45, 0.9, 0.9999])
def test_a_falling_maximum_is_its_recursion(fall: float) -> None:
    expected, held = [], 0.0
    for value in np.abs(STREAM).tolist():
        held = max(value, fall * held)
        expected.append(held)
    assert FallingMaximum(fall)(np.abs(STREAM)) == pytest.approx(expected, rel=1e-12)


@given(length=st.integers(0, 900), cuts=cuttings)
def test_a_delay_line_is_the_same_later(length: int, cuts: list[int]) -> None:
    line = DelayLine(1, length)
    found = np.concatenate([line(part[None])[0] for part in np.split(STREAM, cuts)])
    assert np.array_equal(found, np.concatenate((np.zeros(length), STREAM))[:700])


def test_a_phase_never_rounds() -> None:
    """However long it runs, it is so many times its step, modulo a turn."""
    phases = Phasor(48_000)(16_000.0, 3 * 100_000 + 1)
    assert int(phases[-1]) == (300_000 * int(phases[1])) % 2**64
    assert int(phases[1]) == pytest.approx(2**64 / 3, rel=1e-15)
