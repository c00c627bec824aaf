"""True peak: what is skipped changes nothing."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from residue.loudness.meters import true_peak
from residue.loudness.meters.true_peak import TruePeakMeter

Floats = NDArray[np.float64]


@given(st.integers(0, 10_000), st.sampled_from(["noise", "walk", "tone", "spikes"]), st.integers(20, 3000))
def test_the_meter_finds_what_the_whole_interpolation_has(seed: int, shape: str, frames: int) -> None:
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal(frames)
    signal = {
        "noise": noise,
        "walk": np.cumsum(noise),
        "tone": np.sin(rng.uniform(0.01, 3.1) * np.arange(frames)),
        "spikes": np.where(np.abs(noise) > 2, noise, 0.0),
    }[shape]
    meter, at = TruePeakMeter(1), 0
    while at < frames:
        length = int(rng.integers(1, 500))
        meter(signal[np.newaxis, at : at + length])
        at += length
    assert meter.highest[0] == pytest.approx(slowly(signal), rel=1e-12)


def slowly(signal: Floats) -> float:
    """Every point of four times as many samples, and the parabola through each three of them."""
    weights = true_peak._FILTERS[1:5, : true_peak.TAPS]
    dense = np.stack([np.convolve(signal, phase)[: len(signal)] for phase in weights], axis=1).ravel()
    dense = np.append(dense, signal[len(signal) - true_peak.TAPS // 2])  # up to which it lies between two samples
    before, here, after = dense[:-2], dense[1:-1], dense[2:]
    bend, sizes = before - 2 * here + after, np.abs(here)
    top = (sizes >= np.abs(before)) & (sizes >= np.abs(after)) & (bend != 0.0)
    above = np.where(top, (after - before) ** 2 / (8 * np.abs(np.where(top, bend, 1.0))), 0.0)
    return float(np.max(sizes + above, initial=float(np.abs(dense[0]))))


def test_the_filter_is_flat_to_19_khz() -> None:
    turns = np.arange(10, 19_000, 10)[:, np.newaxis] / 48_000 * np.arange(true_peak.REACH + 1)
    for phase in true_peak._FILTERS:
        gains = np.abs(np.sum(phase * np.exp(-2j * np.pi * turns), axis=1))
        assert np.max(np.abs(20 * np.log10(gains))) < 0.08


# Bernstein's inequality for what holds no more than half the rate: between points of four times the rate it is higher
# by 0.69 dB at most (ITU-R BS.1770-5, Annex 2, Attachment 1); the parabola leaves less than a tenth of a decibel.
@given(st.floats(20.0, 19_000.0), st.floats(0.0, 1.0))
def test_a_tone_is_read_right_whatever_its_phase(frequency_hz: float, phase: float) -> None:
    ramp = np.clip(np.arange(2400) / 1200, 0.0, 1.0)
    meter = TruePeakMeter(1)
    meter((ramp * np.sin(2 * np.pi * (frequency_hz * np.arange(2400) / 48_000 + phase)))[np.newaxis])
    assert abs(20 * np.log10(meter.highest[0])) < 0.1
