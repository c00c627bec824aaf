"""Breath of known rate, depth and phase: a sine around any offset, with pauses, drift and the pulse upon it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from residue.mapping.node import Trusted
from residue.mapping.nodes import KINDS
from residue.mapping.signals import Events
from tests.mapping.single import read, run

Floats = NDArray[np.float64]
SECONDS = 60
T = np.arange(SECONDS * 2_000) / 2_000


def belt(period_s: float = 4.0, depth: float = 3.0) -> Floats:
    """Full at 0 s + period / 2, empty at 0."""
    return 700.0 + depth / 2 * (1.0 - np.cos(2 * np.pi * T / period_s))


def breath(wave: Floats, **parameters: Any) -> tuple[Floats, Floats]:
    found = read(KINDS["breath"](input="a", **parameters), {"input": wave}, len(wave) * 24)
    assert isinstance(found.signal, np.ndarray)
    assert found.trust is not None
    return found.signal, found.trust


def breaths(wave: Floats, **parameters: Any) -> Floats:
    """When the events are known, in seconds."""
    found = run(KINDS["breaths"](input="a", **parameters), {"input": wave}, len(wave) * 24)
    assert isinstance(found, Events)
    return found.frames / 48_000


@pytest.mark.parametrize("period_s", [2.0, 3.0, 4.0, 6.0, 10.0])
def test_rate_and_depth_of_a_sine_are_those_of_its_definition(period_s: float) -> None:
    wave = belt(period_s)
    rate, trust = breath(wave, measure="rate")
    assert rate[-1] == pytest.approx(60.0 / period_s, rel=0.01)
    # Among the last five breaths of 10 s is the first, which has few before it to be like.
    assert trust[-1] > (0.9 if period_s == 10.0 else 0.999)
    # A second-order Butterworth low-pass at 2 Hz takes 1 / sqrt(1 + (f / 2 Hz)^4) of a sine.
    depth, _ = breath(wave, measure="depth")
    assert depth[-1] == pytest.approx(3.0 / np.sqrt(1.0 + (0.5 / period_s) ** 4), rel=0.01)


def test_what_is_not_known_yet_has_no_trust() -> None:
    rate, trust = breath(belt(4.0), measure="rate", before_first=12.0)
    assert (rate[: 4 * 2_000] == 12.0).all()
    assert (trust[: 4 * 2_000] == 0.0).all()
    assert trust[20 * 2_000] > 0.9


@pytest.mark.parametrize(("rises_with", "sign"), [("in", 1.0), ("out", -1.0)])
def test_phase_is_0_where_breathing_in_begins_and_a_half_where_breathing_out_does(rises_with: str, sign: float) -> None:
    phase, _ = breath(sign * belt(4.0), measure="phase", rises_with=rises_with)
    off = (phase - T / 4.0 + 0.5) % 1.0 - 0.5
    assert np.abs(off[20 * 2_000 :]).max() < 0.02
    assert phase.min() >= 0.0
    assert phase.max() < 1.0


def test_fullness_goes_with_the_wave_from_empty_to_full() -> None:
    full, _ = breath(belt(4.0), measure="fullness")
    late = slice(20 * 2_000, None)
    assert full[late].min() < 0.01
    assert full[late].max() > 0.99
    assert np.corrcoef(full[late], np.roll(belt(4.0), 225)[late])[0, 1] > 0.999  # the delay of the low-pass


def test_events_come_once_a_breath_and_within_the_latency_that_is_told() -> None:
    wave = belt(4.0)
    begun_in, begun_out = breaths(wave, begins="in"), breaths(wave, begins="out")
    assert np.diff(begun_in)[1:] == pytest.approx(4.0, abs=0.02)
    late_s = begun_in[2:] % 4.0, (begun_out[2:] - 2.0) % 4.0
    # (1 - cos(2 pi t / 4 s)) / 2 = 0.3 at 0.74 s, and 0.11 s of the low-pass.
    for one in late_s:
        assert one == pytest.approx(0.85, abs=0.03)


def test_a_held_breath_takes_the_trust_and_the_phase_waits() -> None:
    wave = np.where(T < 30.0, belt(4.0), belt(4.0)[30 * 2_000])
    rate, trust = breath(wave, measure="rate")
    phase, _ = breath(wave, measure="phase")
    assert rate[-1] == pytest.approx(15.0, rel=0.01)
    assert trust[29 * 2_000] > 0.9
    assert trust[45 * 2_000] == 0.0
    assert np.ptp(phase[40 * 2_000 :]) == 0.0


def test_breath_that_becomes_shallow_is_found_again() -> None:
    wave = np.where(T < 20.0, belt(4.0, depth=10.0), belt(4.0, depth=1.6))
    depth, trust = breath(wave, measure="depth")
    assert depth[-1] == pytest.approx(1.6, rel=0.02)
    assert trust[-1] > 0.8


def test_neither_drift_nor_pulse_nor_a_sigh_make_or_hide_a_breath() -> None:
    pulse = 0.25 * np.sin(2 * np.pi * 1.2 * T)
    drift = 4.0 * T / SECONDS
    sigh = np.where((T >= 32.0) & (T < 36.0), 2.5, 1.0)
    wave = (belt(4.0) - 700.0) * sigh + pulse + drift
    assert len(breaths(wave, begins="out")) == 14  # of 15: the first has none before it that it could resemble


def noise(kind: str) -> Floats:
    white = np.random.default_rng(1).normal(size=len(T))
    return {"white noise": white, "hum": np.sin(2 * np.pi * 50.0 * T), "nothing": np.zeros(len(T))}[kind]


@pytest.mark.parametrize("kind", ["white noise", "hum", "nothing"])
def test_what_is_no_breath_is_not_trusted(kind: str) -> None:
    _, trust = breath(noise(kind))
    assert trust.mean() < 0.25


def test_a_drift_at_random_is_seldom_trusted_as_a_breath() -> None:
    """A random walk turns as often as a person breathes; what differs is how unlike its turns are."""
    walk = np.cumsum(np.random.default_rng(0).normal(size=150 * 2_000))
    trust = read(KINDS["breath"](input="a"), {"input": walk}, len(walk) * 24).trust
    assert trust is not None
    assert (trust > 0.5).mean() < 0.25


def test_trust_never_outlives_a_belt_that_came_off() -> None:
    wave = np.where(T < 30.0, belt(4.0), 0.0)
    found: Trusted = read(KINDS["breaths"](input="a"), {"input": wave}, len(wave) * 24)
    assert found.trust is not None
    assert found.trust[-1] == 0.0


def test_a_belt_that_is_pulled_off_is_no_breath() -> None:
    """It falls by 700 where breaths are 3 deep; a sigh of three times the depth is one."""
    pulled = np.where(T < 30.0, belt(4.0), 0.0)
    assert breaths(pulled).max() < 30.0
    sigh = np.where((T >= 32.0) & (T < 36.0), 3.0, 1.0)
    assert ((breaths((belt(4.0) - 700.0) * sigh, begins="out") - 34.0) % 60.0).min() < 1.0
