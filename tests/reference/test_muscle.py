"""What the muscle nodes measure, against closed forms, numpy and scipy, and a muscle that people really recorded."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from residue.mapping.nodes import KINDS
from residue.mapping.signals import CONTROL_RATE_HZ, FRAMES_PER_TICK
from tests.mapping.single import run, trust
from tests.reference.recordings import emg_vastus

Floats = NDArray[np.float64]


def measured(kind: str, values: Floats, **parameters: Any) -> Floats:
    found = run(KINDS[kind](input="a", **parameters), {"input": values}, len(values) * FRAMES_PER_TICK)
    assert isinstance(found, np.ndarray)
    return found


def tone(frequency_hz: float, seconds: float = 4.0) -> Floats:
    return np.sin(2 * np.pi * frequency_hz * np.arange(round(seconds * CONTROL_RATE_HZ)) / CONTROL_RATE_HZ)


@pytest.fixture(scope="module")
def vastus() -> tuple[Floats, Floats]:
    """One channel of the EMG and the force, at the control rate."""
    recording = emg_vastus()
    emg, force = recording.values[0], recording["force"]
    up, down = CONTROL_RATE_HZ // 16, recording.rate_hz // 16
    return signal.resample_poly(emg, up, down), signal.resample_poly(force, up, down, padtype="line")


def test_rms_and_mean_absolute_of_a_sine_are_those_of_the_textbook() -> None:
    sine = tone(20.0)
    assert measured("rms", sine, window_s=0.5)[2_000:] == pytest.approx(1 / np.sqrt(2), rel=1e-9)
    assert measured("mean_absolute", sine, window_s=0.5)[2_000:] == pytest.approx(2 / np.pi, rel=1e-3)


def test_a_window_that_is_not_yet_full_gives_the_mean_over_what_has_come() -> None:
    """The definition over the values there are, by numpy; no muscle seems to wake up where a recording begins."""
    random = np.random.default_rng(8).normal(0.0, 3.0, 900)
    so_far = np.arange(1, 901)
    assert measured("rms", random, window_s=0.5) == pytest.approx(np.sqrt(np.cumsum(random**2) / so_far), rel=1e-9)
    assert measured("mean_absolute", random, window_s=0.5) == pytest.approx(
        np.cumsum(np.abs(random)) / so_far, rel=1e-9
    )
    high = signal.butter(8, 8.0, "highpass", fs=CONTROL_RATE_HZ, output="sos")
    low = signal.butter(8, 12.0, "lowpass", fs=CONTROL_RATE_HZ, output="sos")
    within = signal.sosfilt(np.vstack((high, low)), random - random[0])
    assert measured("band_level", random, window_s=2.0) == pytest.approx(
        np.sqrt(np.cumsum(within**2) / so_far), rel=1e-6, abs=1e-12
    )


@pytest.mark.parametrize("frequency_hz", [11.0, 15.0, 22.0, 25.0, 60.0])
def test_the_frequency_put_in_is_the_frequency_found(frequency_hz: float) -> None:
    """The figures published for muscle sound (Orizio 1990; Oster and Jaffe 1980); a pure tone has its median there."""
    sine = tone(frequency_hz)
    assert measured("median_frequency", sine)[-1] == pytest.approx(frequency_hz, abs=2.0)
    assert measured("crossing_rate", sine, window_s=1.0)[-1] == pytest.approx(frequency_hz, abs=0.5)


def test_white_noise_has_its_median_in_the_middle_of_the_band() -> None:
    """Noise of equal power from 5 to 100 Hz: 52.5 Hz, by definition."""
    noise = np.random.default_rng(5).standard_normal(60 * CONTROL_RATE_HZ)
    assert measured("median_frequency", noise, window_s=50.0)[-1] == pytest.approx(52.5, abs=1.5)


def test_effort_tends_to_leak_over_fill_and_fills_in_fill_s_without_a_leak() -> None:
    """The solution of dy/dt = x / fill - y / leak for x = 1."""
    ones = np.ones(10 * CONTROL_RATE_HZ)
    assert measured("effort", ones, fill_s=4.0, leak_s=1.0)[-1] == pytest.approx(0.25, rel=1e-3)
    assert measured("effort", ones, fill_s=10.0, leak_s=36_000.0)[-1] == pytest.approx(1.0, rel=1e-3)


def test_the_envelope_falls_by_its_time_constant() -> None:
    bump = np.concatenate((np.ones(2_000), np.zeros(4_000)))
    falling = measured("envelope", bump, attack_s=0.001, release_s=0.5)
    assert falling[2_000 + CONTROL_RATE_HZ // 2] == pytest.approx(np.exp(-1.0), rel=0.01)


@pytest.mark.parametrize(("a", "b", "expected"), [(1.0, 0.0, 0.0), (0.7, 0.7, 1.0), (3.0, 1.0, 0.5), (0.0, 0.0, 0.0)])
def test_co_contraction_is_the_shared_part(a: float, b: float, expected: float) -> None:
    found = run(KINDS["co_contraction"](a="a", b="b"), {"a": np.full(10, a), "b": np.full(10, b)}, 240)
    assert found == pytest.approx(expected)


def test_rms_of_a_real_muscle_is_numpys(vastus: tuple[Floats, Floats]) -> None:
    emg, _ = vastus
    windows = np.lib.stride_tricks.sliding_window_view(emg, 500)[::997]
    found = measured("rms", emg, window_s=0.25)[499::997]
    assert found == pytest.approx(np.sqrt((windows**2).mean(axis=1)), rel=1e-9)


def test_the_median_frequency_of_a_real_muscle_is_that_of_welchs_spectrum(vastus: tuple[Floats, Floats]) -> None:
    part = vastus[0][20_000:40_000]
    frequencies_hz, power = signal.welch(part, CONTROL_RATE_HZ, nperseg=2_000)
    within = (frequencies_hz >= 20.0) & (frequencies_hz <= 400.0)
    below = np.cumsum(power[within])
    expected_hz = frequencies_hz[within][np.searchsorted(below, below[-1] / 2)]
    found_hz = measured("median_frequency", part, low_hz=20.0, high_hz=400.0, window_s=9.0)[-1]
    assert found_hz == pytest.approx(expected_hz, rel=0.05)


def test_the_outline_of_a_real_muscle_goes_with_its_force(vastus: tuple[Floats, Floats]) -> None:
    """A plain envelope of this recording correlates with the force at 0.915, found when the test was written."""
    emg, force = vastus
    filtered = measured("bandpass", emg, low_hz=20.0, high_hz=450.0)
    outline = measured("smooth", measured("rms", filtered, window_s=0.25), time_s=0.2)
    assert np.corrcoef(outline, force[: len(outline)])[0, 1] > 0.9


@pytest.mark.parametrize("kind", ["rms", "mean_absolute", "envelope", "crossing_rate"])
def test_what_drifts_or_flickers_is_no_muscle(kind: str) -> None:
    """A lead that drifts, one with an offset, and hum that a lamp or a rectifier doubles; then a muscle above 20 Hz."""
    white = np.random.default_rng(3).normal(size=6_000)
    heard = np.concatenate(
        (np.cumsum(white), 50.0 + white, 20.0 * np.abs(tone(50.0))[:6_000], signal.lfilter([1, 0, -1], [1], white))
    )
    known = trust(KINDS[kind](input="a"), {"input": heard}, len(heard) * FRAMES_PER_TICK)
    drift, offset, lamp, muscle = (known[at + 2_000 : at + 6_000] for at in range(0, 24_000, 6_000))
    assert max(drift.max(), offset.max(), lamp.max()) < 0.2
    assert muscle.min() > 0.9


@pytest.mark.parametrize("kind", ["median_frequency", "crossing_rate"])
def test_a_frequency_is_trusted_while_a_muscle_gives_it_and_not_while_nothing_or_hum_does(
    kind: str, vastus: tuple[Floats, Floats]
) -> None:
    """The real muscle at work (its force above the middle), then a lead that is open, then one that hums.

    The definition of the trust: the share of the power that is no hum. The recording has some hum of its own.
    """
    emg, force = vastus
    muscle = emg[force > np.median(force)][: 4 * CONTROL_RATE_HZ]
    heard = np.concatenate((np.zeros(4_000), muscle, np.full(8_000, muscle[-1]), 200.0 * tone(50.0)))
    known = trust(KINDS[kind](input="a"), {"input": heard}, len(heard) * FRAMES_PER_TICK)
    assert np.array_equal(known[:4_000], np.zeros(4_000))
    assert np.median(known[6_000:12_000]) > 0.9
    assert np.max(known[14_000:20_000]) == 0.0
    assert np.max(known[-4_000:]) < 0.01
