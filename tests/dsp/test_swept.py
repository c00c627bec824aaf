"""A filter whose cutoff moves: scipy's response at rest, the defining recursion in motion, and never a click."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from residue.dsp.swept import CHUNK, SweptFilter, warped

RATE_HZ = 48_000
Floats = NDArray[np.float64]


def filtered(part: Literal["low", "high"], order: int, sound: Floats, cutoff_hz: Floats) -> Floats:
    heard: Floats = SweptFilter(part, order)(sound[None], warped(cutoff_hz, RATE_HZ))[0]
    return heard


@pytest.mark.parametrize("order", [1, 2, 3, 4, 8])
@pytest.mark.parametrize("part", ["low", "high"])
@pytest.mark.parametrize("cutoff_hz", [30.0, 900.0, 15_000.0])
def test_at_rest_it_is_scipys_butterworth_filter(part: Literal["low", "high"], order: int, cutoff_hz: float) -> None:
    noise = np.random.default_rng(1).normal(size=9_600)
    sections = signal.butter(order, cutoff_hz, part, fs=RATE_HZ, output="sos")
    found = filtered(part, order, noise, np.full(len(noise), cutoff_hz))
    assert np.abs(found - signal.sosfilt(sections, noise)).max() < 1e-8


def test_in_motion_it_is_the_recursion_that_defines_it() -> None:
    """The trapezoidal state-variable filter, frame by frame, as its sources write it down."""
    sound = np.random.default_rng(2).normal(size=5_000)
    cutoff_hz = 2_000.0 + 1_900.0 * np.sin(np.arange(5_000) / 40.0)
    k, first, second, expected = math.sqrt(2.0), 0.0, 0.0, []
    for x, g in zip(sound, np.tan(np.pi * cutoff_hz / RATE_HZ), strict=True):
        band = (first + g * (x - second)) / (1.0 + g * (g + k))
        low = second + g * band
        first, second = 2.0 * band - first, 2.0 * low - second
        expected.append(low)
    assert np.abs(filtered("low", 2, sound, cutoff_hz) - np.array(expected)).max() < 1e-9


@given(cuts=st.lists(st.integers(0, 3 * CHUNK), min_size=1, max_size=60))
def test_no_cutting_changes_a_bit(cuts: list[int]) -> None:
    random = np.random.default_rng(3)
    frames = sum(cuts)
    sound, cutoffs = random.normal(size=(2, frames)), warped(random.uniform(20.0, 20_000.0, frames), RATE_HZ)
    cut, at = SweptFilter("high", 3, channels=2), 0
    parts = []
    for frames in cuts:
        parts.append(cut(sound[:, at : at + frames], cutoffs[at : at + frames]))
        at += frames
    whole = SweptFilter("high", 3, channels=2)(sound, cutoffs)
    assert np.concatenate(parts, axis=1).tobytes() == whole.tobytes()


def test_a_cutoff_that_jumps_within_a_tick_makes_no_click() -> None:
    """A 60 Hz tone lies below both cutoffs and goes on; beside it nothing within 25 dB. (Limit: our own choice.)

    What there is comes of the delay of the filter, which changes. Scipy's filter with its coefficients exchanged at the
    same moments and its state kept is more than 20 dB worse.
    """
    at = np.arange(RATE_HZ)
    tone = np.sin(2 * np.pi * 60.0 * at / RATE_HZ)
    jumps = at // 4_800 % 2
    cutoff_hz = 1_500.0 + 10_500.0 * np.clip(np.convolve(jumps, np.full(CHUNK, 1 / CHUNK))[: len(at)], 0.0, 1.0)
    state, parts = np.zeros((2, 2)), []
    for start in range(0, RATE_HZ, 4_800):
        sections = signal.butter(4, 12_000.0 if jumps[start] else 1_500.0, fs=RATE_HZ, output="sos")
        part, state = signal.sosfilt(sections, tone[start : start + 4_800], zi=state)
        parts.append(part)
    beside = signal.butter(4, 500.0, "highpass", fs=RATE_HZ, output="sos")

    def clicks_db(heard: Floats) -> float:
        return float(20 * np.log10(np.abs(signal.sosfilt(beside, heard)[4_000:]).max()))

    ours = clicks_db(filtered("low", 4, tone, cutoff_hz))
    assert ours < -25.0
    assert clicks_db(np.concatenate(parts)) > ours + 20.0


def test_wild_movement_never_makes_it_grow() -> None:
    random = np.random.default_rng(4)
    sound, cutoff_hz = np.sign(random.normal(size=RATE_HZ)), random.uniform(0.0, 24_000.0, RATE_HZ)
    assert np.abs(filtered("low", 8, sound, cutoff_hz)).max() < 100.0
    assert np.abs(filtered("high", 8, sound, cutoff_hz)).max() < 100.0


def test_silence_leaves_no_subnormal_numbers() -> None:
    sound = np.concatenate((np.ones(4_800), np.zeros(20 * RATE_HZ)))
    heard = np.abs(filtered("low", 4, sound, np.full(len(sound), 2_000.0)))
    assert not ((heard > 0) & (heard < np.finfo(np.float64).tiny)).any()
