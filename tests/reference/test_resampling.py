"""Resampling against soxr's and scipy's idea of it, and against sines whose samples are known."""

from __future__ import annotations

import hashlib
import itertools
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import pytest
import soxr
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from residue.dsp.resampling import SampleStream, resampled

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Held:
    values: Floats
    rate_hz: Fraction

    @property
    def length(self) -> int:
        return len(self.values)

    def read(self, start: int, stop: int) -> Floats:
        assert 0 <= start <= stop <= self.length
        return self.values[start:stop]


def whole(stream: SampleStream) -> Floats:
    return stream.read(0, stream.length)


RATES = [
    pytest.param(Fraction(256), 2000, id="256-to-2000"),
    pytest.param(Fraction(360), 2000, id="360-to-2000"),
    pytest.param(Fraction(1000), 2000, id="1000-to-2000"),
    pytest.param(Fraction(2048), 2000, id="2048-to-2000"),
    pytest.param(Fraction(44100), 2000, id="44100-to-2000"),
    pytest.param(Fraction(48000), 2000, id="48000-to-2000"),
    pytest.param(Fraction(96000), 2000, id="96000-to-2000"),
    pytest.param(Fraction(1000), 48000, id="1000-to-48000"),
    pytest.param(Fraction(2048), 48000, id="2048-to-48000"),
    pytest.param(Fraction(44100), 48000, id="44100-to-48000"),
    pytest.param(Fraction(96000), 48000, id="96000-to-48000"),
    pytest.param(Fraction(1000001, 1000), 2000, id="1000.001-to-2000"),
    pytest.param(Fraction(5000123456, 10**7), 48000, id="500.0123456-to-48000"),
    pytest.param(Fraction(779997, 100), 2000, id="7799.97-to-2000"),
    pytest.param(Fraction(4800123, 100), 2000, id="48001.23-to-2000"),
]

# 0.01 dB of a full-scale sine and -100 dB are the promise made to the user; no outside source sets them.
RIPPLE_DB = 0.01
ALIAS_DB = -100.0


def sine(hz: float, rate_hz: Fraction, seconds: float) -> Floats:
    angle = 2 * np.pi * hz / float(rate_hz) * np.arange(int(seconds * rate_hz)) + 0.3
    return np.asarray(np.sin(angle))


def middle(values: Floats) -> Floats:
    return values[len(values) // 4 : -(len(values) // 4)]


@pytest.mark.parametrize(("rate_hz", "to_hz"), RATES)
def test_a_sine_in_the_passband_comes_out_as_the_same_sine_at_the_same_time(rate_hz: Fraction, to_hz: int) -> None:
    lower_hz = float(min(rate_hz, Fraction(to_hz)))
    for share in (0.003, 0.1, 0.25, 0.4, 0.45):
        hz = share * lower_hz
        found = whole(resampled(Held(sine(hz, rate_hz, 800 / lower_hz), rate_hz), to_hz))
        expected = np.sin(2 * np.pi * hz / to_hz * np.arange(len(found)) + 0.3)
        error = np.abs(middle(found - expected)).max()
        assert 20 * np.log10(error) < ALIAS_DB  # of a full-scale sine: bounds ripple, images and delay at once
        assert 20 * np.log10(1 + error) < RIPPLE_DB


@pytest.mark.parametrize(("rate_hz", "to_hz"), [rates for rates in RATES if "-to-2000" in str(rates.id)])
def test_a_sine_above_the_new_nyquist_frequency_is_gone(rate_hz: Fraction, to_hz: int) -> None:
    for share in (0.5, 0.51, 0.6, 0.9, 1.0, 1.4, 1.6, 2.1, 7.3):
        hz = share * to_hz
        if hz < rate_hz / 2:
            found = whole(resampled(Held(sine(hz, rate_hz, 0.5), rate_hz), to_hz))
            assert 20 * np.log10(np.abs(middle(found)).max()) < ALIAS_DB


@pytest.mark.parametrize(("rate_hz", "to_hz"), RATES)
def test_a_short_filter_passes_a_quarter_of_the_lower_rate_and_stops_three_quarters(
    rate_hz: Fraction, to_hz: int
) -> None:
    lower_hz = float(min(rate_hz, Fraction(to_hz)))
    for share in (0.003, 0.1, 0.25):
        hz = share * lower_hz
        found = whole(resampled(Held(sine(hz, rate_hz, 800 / lower_hz), rate_hz), to_hz, short=True))
        expected = np.sin(2 * np.pi * hz / to_hz * np.arange(len(found)) + 0.3)
        assert 20 * np.log10(np.abs(middle(found - expected)).max()) < ALIAS_DB
    if 0.75 * to_hz < rate_hz / 2:
        found = whole(resampled(Held(sine(0.75 * to_hz, rate_hz, 0.5), rate_hz), to_hz, short=True))
        assert 20 * np.log10(np.abs(middle(found)).max()) < ALIAS_DB


@pytest.mark.parametrize(("rate_hz", "to_hz"), RATES)
def test_a_constant_stays_itself_to_the_very_ends(rate_hz: Fraction, to_hz: int) -> None:
    found = whole(resampled(Held(np.full(500, -0.21), rate_hz), to_hz))
    assert np.abs(found + 0.21).max() < 1e-5 * 0.21


@pytest.mark.parametrize(("rate_hz", "to_hz"), RATES)
def test_the_length_is_that_of_the_recording(rate_hz: Fraction, to_hz: int) -> None:
    stream = resampled(Held(np.zeros(12_345), rate_hz), to_hz)
    assert abs(stream.length / to_hz - 12_345 / float(rate_hz)) <= 1 / to_hz


@pytest.mark.parametrize(
    ("rate_hz", "to_hz"), [(360, 2000), (1000, 48_000), (2048, 2000), (44_100, 2000), (48_000, 2000)]
)
@pytest.mark.parametrize(("peer", "within_db"), [("soxr", -95.0), ("scipy", ALIAS_DB)])
def test_a_swept_sine_agrees_with_other_resamplers(rate_hz: int, to_hz: int, peer: str, within_db: float) -> None:
    """soxr at its best quality, and scipy by Fourier transform, which is exact for what begins and ends silent.

    soxr itself lies up to -96 dB from the exact answer (measured against scipy's, 44100 to 2000 Hz).
    """
    seconds, top_hz = 8, 0.4 * min(rate_hz, to_hz)
    time_s = np.arange(seconds * rate_hz) / rate_hz
    sweep = np.sin(np.pi * top_hz / seconds * time_s**2) * signal.windows.hann(len(time_s))
    ours = whole(resampled(Held(sweep, Fraction(rate_hz)), to_hz))
    if peer == "soxr":
        theirs = soxr.resample(sweep, rate_hz, to_hz, quality="VHQ")[: len(ours)]
    else:
        theirs = np.asarray(signal.resample(sweep, seconds * to_hz))
    assert 20 * np.log10(np.abs(ours - theirs).max()) < within_db


@given(
    cuts=st.lists(st.integers(0, 6000), max_size=12),
    rates=st.sampled_from([(48000, 2000), (1000, 48000), (44100, 48000), (2048, 2000), (360, 2000), (48001, 2000)]),
)
def test_the_bits_do_not_depend_on_how_the_stream_is_read(cuts: list[int], rates: tuple[int, int]) -> None:
    rate_hz, to_hz = rates
    values = np.random.default_rng(9).normal(size=3000)
    stream = resampled(Held(values, Fraction(rate_hz)), to_hz)
    edges = [0, *sorted(min(cut, stream.length) for cut in cuts), stream.length]
    parts = [stream.read(start, stop) for start, stop in itertools.pairwise(edges)]
    assert np.array_equal(np.concatenate(parts), whole(stream))


def test_a_stream_at_the_rate_asked_for_is_left_alone() -> None:
    stream = Held(np.arange(5.0), Fraction(48000))
    assert resampled(stream, 48000) is stream


# Regression: the bits that these filters give. Change conversion.FORMAT with them, or old caches would be believed.
@pytest.mark.parametrize(
    ("rate_hz", "to_hz", "digest"),
    [
        pytest.param(360, 2000, "e79a3702ba146079152a968c8c005032db1fb9858846f1e47ed551bc81db95d8", id="denser"),
        pytest.param(48_000, 2000, "0ac09dd10897e398b30f5e865d945376ec65baaaf86bd1d09a52c2ef471b516c", id="thinner"),
    ],
)
def test_the_bits_are_those_of_the_format_version(rate_hz: int, to_hz: int, digest: str) -> None:
    found = whole(resampled(Held(np.arange(100.0) % 7, Fraction(rate_hz)), to_hz))
    assert hashlib.sha256(found.tobytes()).hexdigest() == digest
