"""True peak: what is skipped changes nothing."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.loudness.meters import true_peak
from residue.loudness.meters.true_peak import PHASES, TruePeakMeter


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
    whole = max(float(np.max(np.abs(np.convolve(signal, phase)[:frames]))) for phase in PHASES)
    assert meter.highest[0] == pytest.approx(whole, rel=1e-12)


def test_the_bounds_follow_from_the_filter() -> None:
    # ITU-R BS.1770-5, Annex 2: sums of the printed taps.
    assert pytest.approx(max(sum(map(abs, phase)) for phase in PHASES), rel=1e-8) == true_peak.SUM_OF_MAGNITUDES
    assert [sum(phase) for phase in PHASES] == pytest.approx([1.001587, 0.973022, 0.973022, 1.001587], abs=1e-6)


def test_the_phases_mirror_each_other() -> None:
    assert PHASES[2] == PHASES[1][::-1]
    assert PHASES[3] == PHASES[0][::-1]
