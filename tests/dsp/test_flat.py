"""A flat electrode is told from a quiet body, and does not count as usual however long it lasts."""

from __future__ import annotations

import numpy as np
import pytest

from residue.dsp.flat import Flat

RATE_HZ = 2_000
LIVING = np.random.default_rng(3).normal(0.0, 10.0, 4 * RATE_HZ)


@pytest.mark.parametrize("noise", [0.0, 0.05], ids=["dead", "the noise of an amplifier, 46 dB below"])
def test_an_electrode_that_stops_moving_is_flat_within_two_hops_and_until_it_moves_again(noise: float) -> None:
    dead = 300.0 + np.random.default_rng(4).normal(0.0, noise, 60 * RATE_HZ)
    flat = Flat(RATE_HZ)(np.concatenate((LIVING, dead, LIVING)))
    assert not flat[: len(LIVING)].any()
    assert flat[len(LIVING) + 200 : len(LIVING) + len(dead)].all()
    assert not flat[len(LIVING) + len(dead) + 200 :].any()


def test_a_body_that_becomes_quieter_by_30_db_is_not_flat() -> None:
    assert not Flat(RATE_HZ)(np.concatenate((LIVING, LIVING * 10 ** (-30 / 20)))).any()


def test_the_cutting_into_blocks_changes_nothing() -> None:
    values = np.concatenate((LIVING, np.zeros(RATE_HZ), LIVING))
    flat = Flat(RATE_HZ)
    cut = np.concatenate([flat(part) for part in np.split(values, [0, 1, 99, 100, 101, 350, 8_050, 9_000])])
    assert np.array_equal(cut, Flat(RATE_HZ)(values))
