"""Beats of a heart among candidates: found once they are clear, and kept while noise hides them in part."""

from __future__ import annotations

import numpy as np
import pytest

from residue.dsp.heartlike import Heartlike

HOP_S = 0.005
SPIKE = np.exp(-(((np.arange(60) - 30.0) / 4.0) ** 2))


def candidates(noise: float, count: int, seed: int) -> list[list[float]]:
    """The same spike in so much noise."""
    random = np.random.default_rng(seed)
    smooth = np.ones(5) / 5.0
    return [(SPIKE + noise * np.convolve(random.normal(size=64), smooth, "valid")).tolist() for _ in range(count)]


def told(heart: Heartlike, shapes: list[list[float]], contrast: float) -> list[bool]:
    return [heart(shape, contrast, 0.8) > 0.0 for shape in shapes]


def test_a_heart_that_was_found_is_kept_while_noise_hides_it_in_part() -> None:
    """With a contrast below that from which a heart is found: a Schmitt trigger, common practice."""
    heart = Heartlike(HOP_S)
    assert all(told(heart, candidates(0.05, 12, 1)[2:], 5.0)[2:])
    assert all(told(heart, candidates(0.8, 30, 3), 1.65))


@pytest.mark.parametrize("contrast", [1.4, 1.65])
def test_the_same_candidates_are_no_heart_where_none_was_found(contrast: float) -> None:
    assert not any(told(Heartlike(HOP_S), candidates(0.8, 40, 3), contrast))


def test_a_heart_that_is_lost_in_noise_is_soon_none() -> None:
    """Of noise the usual contrast is 1.5, and shapes are alike at 0.6 (tests/bench/heart.py)."""
    heart = Heartlike(HOP_S)
    told(heart, candidates(0.05, 12, 1), 5.0)
    after = told(heart, candidates(5.0, 40, 3), 1.5)
    assert not any(after[12:])
