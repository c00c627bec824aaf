"""From any rate to any other: polyphase resampling by a Kaiser-windowed sinc, zero phase, the same bits everywhere.

Up to 90 % of the lower Nyquist frequency the gain keeps within 0.001 dB; aliases and images lie below -100 dB. A large
change of rate is made in two stages, a steep filter at twice the lower rate and a short one for the rest, which
costs a tenth of one stage. Two rates without a small ratio, such as 500.0123 Hz by a drifting clock, meet by a cubic
between samples many times as dense.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.dsp.kernel import polyphase

Floats = NDArray[np.float64]
"""One channel, (samples,)."""

STOPBAND_DB = 122.0
"""The attenuation that each filter is designed for: two stages together, and the error of Kaiser's estimate, use up a
part of it.
"""
_BESSEL_TERMS = 48
_LARGEST_FACTOR = 4096
"""The largest number in a ratio that counts as small: it bounds the length of the filter."""
_DENSITY = 24
"""With so many samples in a cycle of the lower rate, the cubic is right to -105 dB."""
_FINEST_RATE = 10**6
"""The largest denominator of an odd rate; finer differences are less than a picosecond a second."""


class SampleStream(Protocol):
    """One channel of evenly spaced samples, read piece by piece in any order."""

    @property
    def rate_hz(self) -> Fraction:
        """Samples a second, exactly."""

    @property
    def length(self) -> int:
        """The length in samples."""

    def read(self, start: int, stop: int) -> Floats:
        """Samples start, …, stop - 1, where 0 <= start <= stop <= length."""


@dataclass(frozen=True)
class _Band:
    """A low-pass: its edges as shares of the lower of the two rates."""

    passes: Fraction
    stops: Fraction


_STEEP = _Band(Fraction(45, 100), Fraction(1, 2))
_WIDE = _Band(Fraction(1, 4), Fraction(3, 4))
"""The band of the stage beside the steep one, where everything between half and one and a half of the low rate is
empty.
"""


def resampled(stream: SampleStream, to_hz: int, *, short: bool = False) -> SampleStream:
    """The stream at another rate; its sample k is the value at the time k / to_hz, with no delay.

    Before its first and after its last sample the stream counts as constant, so that an offset does not ring. short:
    with a filter of a tenth of the length, for somebody who plays by it. It passes frequencies up to a quarter of the
    lower rate, and what lies between a half and three quarters of it is not wholly removed.
    """
    ratio = Fraction(to_hz) / stream.rate_hz
    if max(ratio.numerator, ratio.denominator) > _LARGEST_FACTOR:
        return _odd(stream, to_hz, _WIDE if short else _STEEP)
    if ratio == 1:
        return stream
    if short:
        return _Stage(stream, ratio, _WIDE)
    if ratio > 2:
        return _Stage(_Stage(stream, Fraction(2), _STEEP), ratio / 2, _WIDE)
    if ratio < Fraction(1, 2):
        return _Stage(_Stage(stream, ratio * 2, _WIDE), Fraction(1, 2), _STEEP)
    return _Stage(stream, ratio, _STEEP)


def _odd(stream: SampleStream, to_hz: int, band: _Band) -> SampleStream:
    """Resamples from or to a rate that has no small ratio to the other."""
    thinning = max(1, math.floor(stream.rate_hz / (2 * to_hz)))
    if thinning > 1:
        stream = _Stage(stream, Fraction(1, thinning), _WIDE)
    share = min(Fraction(1), to_hz / stream.rate_hz)
    dense = _Stage(stream, Fraction(math.ceil(_DENSITY * share)), _Band(band.passes * share, band.stops * share))
    return _Between(dense, to_hz)


class _Stage:
    """One polyphase filter: again a stream, each sample of which is the same sum in whatever pieces it is read."""

    def __init__(self, stream: SampleStream, ratio: Fraction, band: _Band) -> None:
        self._stream = stream
        self._up, self._down = ratio.numerator, ratio.denominator
        self._taps, self._centre = _design(self._up, self._down, band)
        self._filter = polyphase(self._taps, up=self._up, down=self._down)
        self.rate_hz = stream.rate_hz * ratio
        self.length = math.ceil(stream.length * ratio)

    def read(self, start: int, stop: int) -> Floats:
        """Samples start, …, stop - 1."""
        if stop <= start:
            return np.empty(0)
        up, down, reach = self._up, self._down, self._centre
        if up == 1:
            return _thinned(self._held, self._taps[reach:], start=start, stop=stop, down=down)
        # Starting at a multiple of `down` samples puts the polyphase filter into the same phase at each start.
        first = (start * down - reach) // up // down * down
        last = ((stop - 1) * down + reach) // up
        skipped = start + reach // down - first * up // down
        return self._filter(self._held(first, last + 1), skipped, stop - start)

    def _held(self, start: int, stop: int) -> Floats:
        """Samples of the stream; outside of it, the nearest sample."""
        inside = self._stream.read(max(start, 0), min(stop, self._stream.length))
        if len(inside) == stop - start:
            return inside
        return np.pad(inside, (max(-start, 0), max(stop - self._stream.length, 0)), mode="edge")


def _thinned(read: Callable[[int, int], Floats], half: Floats, *, start: int, stop: int, down: int) -> Floats:
    """Samples start, …, stop - 1 at 1 / `down` of the input's rate.

    half: the taps from the centre outwards. The filter is symmetric, so each tap serves two samples. Each tap is
    applied to all output samples at once, which for a long stretch is twice as fast as `upfirdn`.
    """
    reach, count = len(half) - 1, stop - start
    span = (count - 1) * down + 2 * reach + 1
    centre = reach + -span % down  # a few samples more before, so that the rows are full
    samples = read(start * down - centre, (stop - 1) * down + reach + 1)
    phases = np.ascontiguousarray(samples.reshape(-1, down).T)

    def away(by: int) -> Floats:
        row, phase = divmod(centre + by, down)
        return phases[phase, row : row + count]

    total: Floats = away(0) * half[0]
    pair = np.empty(count)
    for by in range(1, reach + 1):
        np.add(away(-by), away(by), out=pair)
        pair *= half[by]
        total += pair
    return total


class _Between:
    """A dense stream at any lower or higher rate, by the cubic through the four samples around each output sample."""

    def __init__(self, dense: SampleStream, to_hz: int) -> None:
        self._dense = dense
        self.rate_hz = Fraction(to_hz)
        self._step = dense.rate_hz.limit_denominator(_FINEST_RATE) / to_hz
        self.length = max(1, math.floor(dense.length / self._step))

    def read(self, start: int, stop: int) -> Floats:
        """Samples start, …, stop - 1."""
        if stop <= start:
            return np.empty(0)
        whole, part = self._step.numerator, self._step.denominator
        first, rest = divmod(start * whole, part)  # in integers of any size; from here on they are small
        ahead = rest + np.arange(stop - start, dtype=np.int64) * whole
        places, shares = ahead // part, ahead % part / part
        around = np.arange(first - 1, first + int(places[-1]) + 3).clip(0, self._dense.length - 1)
        low = int(around[0])
        held = self._dense.read(low, int(around[-1]) + 1)[around - low]
        return cubic(held[places], held[places + 1], held[places + 2], held[places + 3], shares)


def cubic(before: Floats, here: Floats, after: Floats, beyond: Floats, share: Floats) -> Floats:
    """Lagrange's polynomial through four samples, at a share of the way from the second to the third."""
    back, on, over = share + 1.0, share - 1.0, share - 2.0
    value: Floats = share * on * (back * beyond - over * before) / 6.0 + back * over * (on * here - share * after) / 2.0
    return value


@lru_cache(maxsize=16)
def _design(up: int, down: int, band: _Band) -> tuple[Floats, int]:
    """Taps at `up` times the rate of the input, and the index of the centre tap, a multiple of `down`.

    Source: Oppenheim & Schafer, Discrete-Time Signal Processing, section 7.5.3 (Kaiser's formulas), from memory.
    """
    lower = max(up, down)  # at the rate of the taps, one cycle of the lower rate is this many samples
    width = (band.stops - band.passes) / lower
    reach = math.ceil((STOPBAND_DB - 7.95) / (2 * 14.357 * width))
    beta = 0.1102 * (STOPBAND_DB - 8.7)
    n = np.arange(1, reach + 1)
    step = round((band.passes + band.stops) / 2 / lower * exact.TURN)
    sinc = exact.sine(n.astype(np.uint64) * np.uint64(step)) / (math.pi * n)
    share = n / (reach + 1)
    half = sinc * bessel_i0(beta * np.sqrt(1.0 - share * share)) / bessel_i0(np.array([beta]))
    taps = np.concatenate((half[::-1], [step / exact.TURN * 2], half))
    taps *= up / math.fsum(taps)
    lead = -reach % down
    return np.concatenate((np.zeros(lead), taps)), reach + lead


def bessel_i0(x: Floats) -> Floats:
    """Modified Bessel function of order zero by its power series, sum of ((x / 2)**k / k!)**2; x below 20."""
    square = x * x / 4.0
    term = np.ones_like(x)
    total = np.ones_like(x)
    for k in range(1, _BESSEL_TERMS):
        term = term * square / (k * k)
        total = total + term
    return total
