"""Two breaths made of one real belt: late, in noise, or of other minutes; against scipy, which sees all at once."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from residue.mapping.nodes import KINDS
from residue.mapping.signals import CONTROL_RATE_HZ, FRAMES_PER_TICK
from tests.mapping.single import read
from tests.reference.recordings import breath_belt
from tests.reference.test_breath import belt

Floats = NDArray[np.float64]
LONG_S = 270
LATE_S = 1.5


@cache
def bodies() -> dict[str, Floats]:
    """One breath, the same a moment later in noise, and another one."""
    wave = belt(breath_belt())
    late, length = round(LATE_S * CONTROL_RATE_HZ), LONG_S * CONTROL_RATE_HZ
    shaky = np.repeat(np.random.default_rng(2).normal(0.0, 0.1 * wave.std(), length // 100), 100)
    return {"one": wave[late : late + length], "follower": wave[:length] + shaky, "stranger": wave[-length:]}


def reading(kind: str, a: Floats, b: Floats, **parameters: Any) -> Floats:
    frames = len(a) * FRAMES_PER_TICK
    found = read(KINDS[kind](a="a", b="b", **parameters), {"a": a, "b": b}, frames, range(0, frames, 480_000)).signal
    assert isinstance(found, np.ndarray)
    return found


def phase(wave: Floats) -> Floats:
    frames = len(wave) * FRAMES_PER_TICK
    found = read(KINDS["breath"](input="a", measure="phase"), {"input": wave}, frames, range(0, frames, 480_000)).signal
    assert isinstance(found, np.ndarray)
    return found


def band(wave: Floats) -> Floats:
    """At 20 Hz, where breath is."""
    thinned = signal.resample_poly(wave - wave.mean(), 1, 100)
    found: Floats = signal.sosfiltfilt(signal.butter(2, [0.1, 0.5], "bandpass", fs=20.0, output="sos"), thinned)
    return found


def test_who_follows_is_told_from_a_stranger() -> None:
    one, follower, stranger = bodies().values()
    settled = slice(60 * CONTROL_RATE_HZ, None)
    lag = reading("synchrony", one, follower, measure="lag")[settled]
    assert np.abs(lag - LATE_S).max() < 0.21
    assert np.median(lag) == pytest.approx(LATE_S, abs=0.051)
    assert reading("synchrony", one, follower)[settled].min() > 0.95
    assert np.median(reading("synchrony", one, stranger)[settled]) < 0.7


def test_phase_locking_of_two_breaths_agrees_with_that_of_hilbert_phases() -> None:
    """Measured when this was written: 0.69 against 0.86, 0.15 against 0.17. Ours hears the breath as it comes."""
    one, follower, stranger = bodies().values()
    for other, least, most in ((follower, 0.65, 1.0), (stranger, 0.0, 0.45)):
        ours = reading("phase_locking", phase(one), phase(other), window_s=200.0)[-1]
        late, early = (np.angle(signal.hilbert(band(wave)))[-4_000:] for wave in (one, other))
        theirs = abs(np.mean(np.exp(1j * (late - early))))
        assert least <= ours <= most
        assert ours == pytest.approx(theirs, abs=0.2)


def test_coherence_of_two_breaths_is_that_of_scipys_cross_spectrum() -> None:
    """|sum Pab|^2 / (sum Paa sum Pbb) over the band, by Welch's method with windows of 50 s."""
    one, follower, stranger = bodies().values()
    for other in (follower, stranger):
        a, b = (signal.resample_poly(wave - wave.mean(), 1, 100)[-4_000:] for wave in (one, other))
        hertz, cross = signal.csd(a, b, 20.0, nperseg=1_000)
        _, own = signal.welch(a, 20.0, nperseg=1_000)
        _, others = signal.welch(b, 20.0, nperseg=1_000)
        within = (hertz >= 0.15) & (hertz <= 0.35)
        expected = abs(cross[within].sum()) ** 2 / (own[within].sum() * others[within].sum())
        ours = reading("coherence", one, other, low_hz=0.15, high_hz=0.35, window_s=200.0)[-1]
        assert ours == pytest.approx(expected, abs=0.1)
