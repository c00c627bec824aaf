"""True peak: the highest magnitude between the samples, after ITU-R BS.1770-5, Annex 2.

The signal is oversampled four times, with a longer filter than the printed one, which reads 0.2 dB too much at 4 kHz,
and half a decibel too little for a sound up to half the rate. A parabola through the highest samples finds the peak
between them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact, kernel
from residue.dsp.kernel import magnitudes
from residue.dsp.resampling import bessel_i0

Floats = NDArray[np.float64]

TAPS = 16
_NEAR = TAPS // 2
"""The peak that belongs to a frame lies between the samples _NEAR and _NEAR - 1 before it."""
REACH = TAPS
"""The number of samples before a frame that its interpolation needs: one more than the filter has, for the parabola."""
_PHASES = 4
_KAISER_BETA = 4.5
"""Flat within 0.05 dB up to 19 kHz at 48 kHz, and 0.2 dB down at 20 kHz."""


def _filter(position: float) -> Floats:
    """(REACH + 1,): weights of the samples, the latest first, that give the value `position` after sample _NEAR."""
    away = position - (_NEAR - np.arange(TAPS))
    turns = away / 2.0
    sinc = [1.0 if t == 0.0 else exact.sin_turns(float(t)) / (2.0 * float(np.pi) * float(t)) for t in turns]
    share = away / _NEAR
    weights = np.array(sinc) * bessel_i0(_KAISER_BETA * np.sqrt(np.maximum(0.0, 1.0 - share * share)))
    return np.append(weights / np.add.reduce(weights), 0.0)


def _all_filters() -> Floats:
    """(_PHASES + 2, REACH + 1): from one step before sample _NEAR to the sample after it."""
    phases = [_filter(phase / _PHASES) for phase in range(_PHASES)]
    return np.array([np.roll(phases[-1], 1), *phases, np.roll(phases[0], -1)])


_FILTERS = _all_filters()
_QUARTER, _HALF, _THREE_QUARTERS = _FILTERS[2:5, :TAPS]
_EVEN, _ODD = ((_QUARTER + _THREE_QUARTERS) / 2.0)[:_NEAR], ((_QUARTER - _THREE_QUARTERS) / 2.0)[:_NEAR]
"""The filters for a quarter and three quarters mirror each other: their common parts, for sums and differences of
samples.
"""
_ROUNDING = 1.0 + 1e-9


def _bounds() -> tuple[float, float]:
    """The sum of magnitudes, and the most that the second difference of a signal can add to its interpolation.

    The top of a parabola is at most an eighth of its second difference above its middle point. An interpolated value is
    a filter of the samples. This filter is the straight line between the two nearest samples plus a filter of the
    second difference: the remainder has neither a sum nor a first moment, so it can be summed twice.
    """
    total, bend = 0.0, 0.0
    place = np.arange(REACH + 1)
    for before, here, after in zip(_FILTERS, _FILTERS[1:], _FILTERS[2:], strict=False):
        curve = (before - 2.0 * here + after) / 8.0
        for rest in (here - curve, here + curve):
            total = max(total, float(np.add.reduce(np.abs(rest))))
            centre = np.add.reduce(rest * place)
            rest[_NEAR - 1] -= _NEAR - centre
            rest[_NEAR] -= centre - (_NEAR - 1)
            bend = max(bend, float(np.add.reduce(np.abs(np.cumsum(np.cumsum(rest))))))
    return total * _ROUNDING, bend * _ROUNDING


SUM_OF_MAGNITUDES, _BEND_GAIN = _bounds()
"""No interpolated peak is higher than SUM_OF_MAGNITUDES times the highest of its samples, nor higher than the higher of
its two nearest samples plus _BEND_GAIN times the greatest second difference.
"""

_INTERPOLATION = np.concatenate((_EVEN, _ODD, _HALF[:_NEAR], (SUM_OF_MAGNITUDES, _BEND_GAIN, _ROUNDING)))
"""As the compiled loops take it."""
_STEEPEST_TOP = 1.25
"""The top of a parabola is at most so much higher than its middle point, if the middle point is the highest of the
three.
"""
_SUB_BLOCK_FRAMES = 120
_MANY = 0.2
"""The share of frames from which on it is cheaper to interpolate all of them."""


def peaks_above(signals: Floats, thresholds: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats]:
    """The places where the true peak may be above a threshold, and its value there.

    The values are exact, and found fast where the signal is quiet.

    signals: (channels, REACH + frames), frames a multiple of 120; thresholds: (channels,). Gives channels, frames and
    peaks, (n,) each. Frames count from 0 at signals[:, REACH].
    """
    if kernel.COMPILED:
        peaks = kernel.true_peaks(signals, thresholds=thresholds, interpolation=_INTERPOLATION)
        channel, frames = np.nonzero(peaks)
        return channel, frames, peaks[channel, frames]
    signals = np.ascontiguousarray(signals)
    channels, blocks = len(signals), (signals.shape[1] - REACH) // _SUB_BLOCK_FRAMES
    along, step = signals.strides
    rows = np.lib.stride_tricks.as_strided(
        signals,
        (channels, blocks, REACH + _SUB_BLOCK_FRAMES),
        (along, _SUB_BLOCK_FRAMES * step, step),
        writeable=False,
    )
    highest = magnitudes(rows)
    channel, block = np.nonzero(SUM_OF_MAGNITUDES * highest > thresholds[:, np.newaxis])
    near = rows[channel, block]
    slopes = near[:, 1:] - near[:, :-1]
    bends = slopes[:, 1:] - slopes[:, :-1]
    bent = _BEND_GAIN * magnitudes(bends)
    may = _ROUNDING * highest[channel, block] + bent > thresholds[channel]
    channel, block, bent = channel[may], block[may], bent[may]
    sizes = np.abs(near[may])
    pairs = np.maximum(sizes[:, REACH - _NEAR : -_NEAR], sizes[:, REACH - _NEAR + 1 : sizes.shape[1] - _NEAR + 1])
    row, at = np.nonzero(_ROUNDING * pairs + bent[:, np.newaxis] > thresholds[channel][:, np.newaxis])
    if len(row) > _MANY * signals.size:
        return _everywhere(signals, thresholds)
    channel, frames = channel[row], block[row] * _SUB_BLOCK_FRAMES + at
    return channel, frames, _interpolated(signals, channel, frames)


def _everywhere(signals: Floats, thresholds: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats]:
    """The same by interpolation of all frames: this is faster where most frames need it."""
    frames = signals.shape[1] - REACH
    points = _points([signals[:, REACH - tap - 1 : REACH - tap + frames] for tap in range(TAPS)])
    highest = np.max([np.abs(one[:, 1:]) for one in points], axis=0)
    channel, at = np.nonzero(highest * _STEEPEST_TOP > thresholds[:, np.newaxis])
    around = [one[channel, at + 1] for one in points]
    return channel, at, _tops([points[-1][channel, at], *around, signals[channel, at + (REACH - _NEAR + 1)]])


def _interpolated(signals: Floats, channels: NDArray[np.int64], frames: NDArray[np.int64]) -> Floats:
    """The highest magnitude at some frames of some channels."""
    if not len(frames):
        return np.zeros(0)
    samples = [signals[channels, frames + (REACH - tap)] for tap in range(REACH + 1)]
    return _tops([_points(samples[1:])[-1], *_points(samples[:TAPS]), samples[_NEAR - 1]])


def _points(samples: Sequence[Floats]) -> tuple[Floats, Floats, Floats, Floats]:
    """The sample _NEAR, and a quarter, a half and three quarters of the way to the next; samples: (TAPS,) by tap.

    The order of the sum is fixed, so that both ways to find a peak give the same bits.
    """
    both = list(zip(samples[:_NEAR], samples[: _NEAR - 1 : -1], strict=True))
    sums, differences = [late + early for late, early in both], [late - early for late, early in both]
    even, odd = _weighted(sums, _EVEN), _weighted(differences, _ODD)
    return samples[_NEAR], even + odd, _weighted(sums, _HALF[:_NEAR]), even - odd


def _tops(points: Sequence[Floats]) -> Floats:
    """The highest magnitude around each point that has two neighbours; points: in order, a quarter sample apart."""
    highest = np.zeros(points[0].shape)
    for one, middle, other in zip(points, points[1:], points[2:], strict=False):
        size, slope, bend = np.abs(middle), other - one, np.abs(one - 2.0 * middle + other)
        # Only a point that is the highest of the three has the top of its parabola within half a step.
        top = (size >= np.abs(one)) & (size >= np.abs(other)) & (np.abs(slope) <= bend) & (bend > 0.0)
        above = np.divide(slope * slope, 8.0 * bend, out=np.zeros_like(size), where=top)
        np.maximum(highest, size + above, out=highest)
    return highest


def _weighted(samples: Sequence[Floats], weights: Floats) -> Floats:
    total, product = (np.zeros(samples[0].shape) for _ in range(2))
    for sample, weight in zip(samples, weights.tolist(), strict=True):
        total += np.multiply(sample, weight, out=product)
    return total


def highest_between(signals: Floats) -> Floats:
    """(channels,): the highest true peak; signals: (channels, REACH + frames), frames a multiple of 120."""
    highest = magnitudes(signals[:, REACH - _NEAR : -_NEAR])
    if kernel.COMPILED:
        kernel.raise_to_peaks(highest, x=signals, interpolation=_INTERPOLATION)
        return highest
    channel, _, peaks = peaks_above(signals, highest)
    np.maximum.at(highest, channel, peaks)
    return highest


def filled(block: Floats) -> Floats:
    """The last axis, extended with silence to a multiple of 120 frames after REACH."""
    missing = -(block.shape[1] - REACH) % _SUB_BLOCK_FRAMES
    return np.pad(block, ((0, 0), (0, missing))) if missing else block


class TruePeakMeter:
    """The highest true peak of a stream so far. It skips frames that cannot be higher."""

    def __init__(self, channels: int) -> None:
        self._tail = np.zeros((channels, REACH))
        self.highest = np.zeros(channels)
        """The highest true peak, (channels,), full scale = 1."""

    def __call__(self, block: Floats) -> None:
        """Takes a block, (channels, frames)."""
        joined, frames = np.concatenate((self._tail, block), axis=1), block.shape[1]
        self._tail = joined[:, -REACH:].copy()
        if kernel.COMPILED:
            kernel.raise_to_peaks(self.highest, x=joined, interpolation=_INTERPOLATION)
            return
        sample_peaks = magnitudes(joined)
        if not np.any(SUM_OF_MAGNITUDES * sample_peaks > self.highest):
            return
        signals = filled(joined)
        self._look_around(signals, np.flatnonzero(sample_peaks > self.highest), frames)
        channel, at, peaks = peaks_above(signals, self.highest)
        within = at < frames
        np.maximum.at(self.highest, channel[within], peaks[within])

    def _look_around(self, signals: Floats, channels: NDArray[np.int64], frames: int) -> None:
        """Examines the surroundings of the highest sample first: after that, few other frames can be higher."""
        around = np.argmax(np.abs(signals[channels]), axis=1)[:, np.newaxis] + np.arange(TAPS) - REACH
        channel, at = np.repeat(channels, TAPS), np.clip(around, 0, frames - 1).ravel() if frames else around.ravel()
        np.maximum.at(self.highest, channel, _interpolated(signals, channel, at))
