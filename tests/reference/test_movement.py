"""Movement of a person who walks with an accelerometer at the waist, against numpy's own and a package for gait."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from residue.dsp.exact import angle_turns
from residue.mapping.node import Trusted
from residue.mapping.nodes import KINDS
from residue.mapping.signals import AUDIO_RATE_HZ, CONTROL_RATE_HZ, FRAMES_PER_TICK, Events
from tests.mapping.single import read
from tests.reference.recordings import walk

Floats = NDArray[np.float64]


def reading(kind: str, **parameters: Any) -> Trusted:
    """What a node makes of the walk at the control rate."""
    acceleration, _ = walk()
    offset = acceleration.values[:, :1]
    times = CONTROL_RATE_HZ // acceleration.rate_hz
    x, y, z = signal.resample_poly(acceleration.values - offset, times, 1, axis=1) + offset
    node = KINDS[kind](x="x", y="y", z="z", **parameters)
    return read(node, {"x": x, "y": y, "z": z}, len(x) * FRAMES_PER_TICK)


def test_energy_of_a_walk_is_that_of_its_samples() -> None:
    """ENMO in epochs of 5 s as van Hees et al. (2013) define it, of the samples as they were taken."""
    acceleration, _ = walk()
    excess = np.maximum(np.sqrt((acceleration.values**2).sum(axis=0)) - 1.0, 0.0)
    epochs = excess[: len(excess) // 250 * 250].reshape(-1, 250).mean(axis=1)
    energy = reading("movement", window_s=5.0).signal
    assert isinstance(energy, np.ndarray)
    ours = energy[10_000 - 1 :: 10_000][: len(epochs)]
    assert np.corrcoef(ours, epochs)[0, 1] > 0.998
    # Between the samples the magnitude is another one: what is squared has twice the frequency.
    assert np.median(np.abs(ours - epochs)) < 0.002


def test_steps_are_those_of_a_package_for_gait() -> None:
    """Measured when this was written: all 101 contacts, and nothing else within the three walks.

    The low-passed peak at the waist stands at the contact; it is known 0.3 s later.
    """
    _, contacts_s = walk()
    steps = reading("steps").signal
    assert isinstance(steps, Events)
    at_s = steps.frames / AUDIO_RATE_HZ - 0.3
    away_s = np.array([np.min(np.abs(at_s - contact)) for contact in contacts_s[1:]])
    assert (away_s < 0.25).mean() > 0.97
    walks = np.split(contacts_s[1:], np.flatnonzero(np.diff(contacts_s[1:]) > 2.0) + 1)
    within = (
        np.concatenate([(at_s > one[0] - 0.25) & (at_s < one[-1] + 0.25) for one in walks]).reshape(3, -1).any(axis=0)
    )
    assert within.sum() == pytest.approx(len(contacts_s) - 1, abs=3)
    assert np.median(steps.values[within]) == pytest.approx(np.median(np.diff(contacts_s)), abs=0.021)


def test_tilt_of_a_walk_is_the_arc_of_its_mean_acceleration() -> None:
    acceleration, _ = walk()
    tilt = reading("tilt", axis="y", time_s=2.0)
    assert isinstance(tilt.signal, np.ndarray)
    kept, offset = np.exp(-1 / 100), acceleration.values[:, :1]  # a one-pole low-pass of 2 s at 50 Hz
    x, y, z = signal.lfilter([1 - kept], [1, -kept], acceleration.values - offset) + offset
    expected = np.degrees(np.arctan2(np.hypot(x, z), y))
    off = np.abs(tilt.signal[39::40] - expected[: len(tilt.signal[39::40])])
    assert np.median(off) < 0.2
    assert off.max() < 5.0


def test_the_angle_is_that_of_numpys_arctan2() -> None:
    across, along = np.random.default_rng(1).normal(size=(2, 100_000)) * 10.0 ** np.arange(-5, 5).repeat(10_000)
    expected = np.arctan2(np.abs(across), along) / (2 * np.pi)
    assert angle_turns(np.abs(across), along) == pytest.approx(expected, abs=1e-13)
