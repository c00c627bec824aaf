"""Two bodies with a known answer: delayed, mixed with noise, at one distance, at another rate, or strangers."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from residue.mapping.node import Trusted
from residue.mapping.nodes import KINDS
from residue.mapping.signals import Events
from tests.mapping.single import read

Floats = NDArray[np.float64]
RANDOM = np.random.default_rng(8)


def seconds(length_s: float) -> Floats:
    return np.arange(round(length_s * 2_000)) / 2_000


def noise(length_s: float, low_hz: float = 0.05, high_hz: float = 0.5) -> Floats:
    """Slow noise of power 1, made at 20 Hz."""
    sections = signal.butter(2, [low_hz, high_hz], "bandpass", fs=20.0, output="sos")
    made = signal.sosfilt(sections, RANDOM.normal(size=round((length_s + 60.0) * 20)))[1_200:]
    made /= made.std()
    return np.interp(seconds(length_s), np.arange(len(made)) / 20.0, made)


def reading(kind: str, a: Floats, b: Floats, **parameters: Any) -> tuple[Floats, Floats]:
    found: Trusted = read(KINDS[kind](a="a", b="b", **parameters), {"a": a, "b": b}, len(a) * 24)
    assert isinstance(found.signal, np.ndarray)
    assert found.trust is not None
    return found.signal, found.trust


@pytest.mark.parametrize("late_s", [-2.0, -0.5, 0.0, 1.3, 3.0])
def test_synchrony_finds_who_follows_whom_and_by_how_much(late_s: float) -> None:
    both = noise(84.0)
    after = round((4.0 - late_s) * 2_000)
    a, b = both[8_000:160_000], both[after : after + 152_000]
    lag, trust = reading("synchrony", a, b, measure="lag")
    correlation, _ = reading("synchrony", 700.0 + a, 3.0 - 0.01 * -b)
    assert lag[-1] == pytest.approx(late_s, abs=0.051)  # to a hop
    assert correlation[-1] > 0.99
    assert trust[42 * 2_000] == 0.0
    assert trust[44 * 2_000] > 0.98


def test_two_bodies_that_are_not_alike_have_no_lag_that_is_trusted() -> None:
    """By the definition of the trust in a lag: no more than the correlation at it."""
    a, b = noise(50.0, 0.2, 2.0), noise(50.0, 0.2, 2.0)
    _, trust = reading("synchrony", a, b, measure="lag")
    assert trust[-1] < 0.5


def test_without_lag_synchrony_is_the_correlation_of_the_window() -> None:
    common = noise(50.0)
    a, b = common + 0.5 * noise(50.0), common + 0.5 * noise(50.0)
    found, _ = reading("synchrony", a, b, lag_s=0.0)
    of_a, of_b = (one[-80_000:].reshape(400, 200).mean(axis=1) for one in (a, b))
    assert found[-1] == pytest.approx(np.corrcoef(of_a, of_b)[0, 1], abs=1e-12)


def test_what_does_not_move_is_in_synchrony_with_nothing() -> None:
    a = noise(90.0)
    correlation, trust = reading("synchrony", a, np.where(seconds(90.0) < 44.0, noise(90.0), 3.0))
    assert trust[44 * 2_000 - 1] == 1.0
    assert trust[-1] == 0.0
    assert correlation[-1] == 0.0


def test_phases_at_one_distance_are_locked_and_the_distance_is_told() -> None:
    t = seconds(50.0)
    a, b = (0.25 * t) % 1.0, (0.25 * t - 0.3) % 1.0
    strength, trust = reading("phase_locking", a, b)
    difference, _ = reading("phase_locking", a, b, measure="difference")
    assert strength[-1] == pytest.approx(1.0, abs=1e-9)
    assert difference[-1] == pytest.approx(0.3, abs=1e-9)
    assert trust[40 * 2_000 - 2] == 0.0
    assert trust[40 * 2_000 - 1] == 1.0
    four, _ = reading("phase_locking", a, (1.0 * t + 0.1) % 1.0, a_times=4)
    assert four[-1] == pytest.approx(1.0, abs=1e-9)


def test_phase_locking_is_the_mean_on_the_circle() -> None:
    """Lachaux et al. (1999): the magnitude of the mean of exp(i 2 pi difference)."""
    t = seconds(50.0)
    a, b = (0.25 * t + 0.2 * noise(50.0)) % 1.0, (0.27 * t) % 1.0
    strength, _ = reading("phase_locking", a, b, window_s=30.0)
    expected = np.mean(np.exp(2j * np.pi * (a - b)[-60_000:]))
    assert strength[-1] == pytest.approx(abs(expected), abs=1e-9)
    difference, _ = reading("phase_locking", a, b, measure="difference", window_s=30.0)
    assert difference[-1] == pytest.approx(np.angle(expected) / (2 * np.pi), abs=1e-9)


def test_other_rates_are_not_locked() -> None:
    t = seconds(50.0)
    strength, _ = reading("phase_locking", (0.25 * t) % 1.0, (0.3 * t) % 1.0)  # two whole turns in 40 s
    assert strength[-1] < 0.01


@pytest.mark.parametrize("share", [0.0, 0.5, 0.8, 1.0])
def test_coherence_is_the_square_of_what_two_signals_share(share: float) -> None:
    """Of two signals that share this part of their power it is share^2 (Bendat and Piersol, from memory)."""
    length_s = 400.0
    common = noise(length_s)
    a, b = (np.sqrt(share) * common + np.sqrt(1.0 - share) * noise(length_s) for _ in range(2))
    coherence, trust = reading("coherence", 5.0 * a, 0.1 * b + 40.0, window_s=380.0)
    assert coherence[-1] == pytest.approx(share * share, abs=0.08)
    assert trust[-1] == pytest.approx(1.0 - 1.0 / (380.0 * 0.3))
    assert trust[379 * 2_000] == 0.0


def test_coherence_does_not_hear_what_is_outside_of_its_band() -> None:
    t = seconds(120.0)
    mains = 3.0 * np.sin(2 * np.pi * 2.0 * t)
    coherence, _ = reading("coherence", noise(120.0) + mains, noise(120.0) + mains, window_s=100.0)
    assert coherence[-1] < 0.2


def test_a_window_too_short_for_its_band_is_refused() -> None:
    with pytest.raises(ValueError, match="Write 20 or more, or a wider band"):
        KINDS["coherence"](a="a", b="b", low_hz=0.2, high_hz=0.3, window_s=15.0)
    with pytest.raises(ValueError, match="Exchange them"):
        KINDS["coherence"](a="a", b="b", low_hz=0.4, high_hz=0.3)


def test_the_phase_of_a_cycle_runs_from_event_to_event_and_waits_for_one_that_is_late() -> None:
    frames = np.array([1, 2, 3, 4, 5, 6]) * 48_000
    found = read(KINDS["cycle_phase"](input="a"), {"input": Events(frames, np.ones(6))}, 20 * 48_000)
    assert isinstance(found.signal, np.ndarray)
    assert found.trust is not None
    assert found.signal[6_000:12_000] == pytest.approx(np.arange(6_000) / 2_000 % 1.0, abs=1e-6)
    assert found.signal[-1] == pytest.approx(1.0, abs=1e-5)
    assert found.signal.max() < 1.0
    assert found.trust[1_000] == 0.0
    assert found.trust[11_000] == 1.0
    assert found.trust[-1] == 0.0
