"""A scale that follows the body: it opens without a swing, and its trust says so."""

from __future__ import annotations

import numpy as np

from residue.mapping.nodes import KINDS
from tests.mapping.single import read

NODE = KINDS["adapt"](input="a")
RANDOM = np.random.default_rng(3)


def breath(seconds: float, still_s: float = 0.0) -> np.ndarray:
    """A belt: still with the noise of its converter (40 Hz), then breathing every 4 s."""
    t = np.arange(round(seconds * 2_000)) / 2_000
    wave = 500.0 * (1.0 - np.cos(2 * np.pi * (t - still_s) / 4.0)) * (t > still_s)
    noise = RANDOM.normal(0.0, 0.5, round(seconds * 40) + 1)
    return wave + np.interp(40.0 * t, np.arange(len(noise)), noise)


def test_it_opens_over_ten_seconds_and_says_how_far_it_is() -> None:
    found = read(NODE, {"input": breath(30.0)}, 30 * 48_000)
    assert isinstance(found.signal, np.ndarray)
    assert found.trust is not None
    ten_s = 20_000
    assert found.signal[:ten_s].max() < 1.0
    assert (found.signal[:ten_s] <= found.trust[:ten_s]).all()
    assert abs(found.trust[ten_s // 2] - 0.5) < 1e-3
    assert found.trust[ten_s:].min() == 1.0
    assert found.signal[ten_s:].min() < 0.01
    assert found.signal[ten_s:].max() > 0.99


def test_neither_the_first_values_nor_a_still_sensor_make_it_swing() -> None:
    """Noise of the converter before the first breath swung between 0 and 1 from one tick to the next."""
    signal = read(NODE, {"input": breath(8.0, still_s=3.0)}, 8 * 48_000).signal
    assert isinstance(signal, np.ndarray)
    assert np.abs(np.diff(signal)).max() < 0.1


def test_a_body_that_came_to_rest_gives_no_noise() -> None:
    """A minute after the last breath the range is that of the noise; a hundredth of the widest counts instead."""
    wave = np.concatenate((breath(20.0), breath(80.0, still_s=80.0)))
    signal = read(NODE, {"input": wave}, 100 * 48_000).signal
    assert isinstance(signal, np.ndarray)
    assert signal[-4_000:].max() - signal[-4_000:].min() < 0.5
