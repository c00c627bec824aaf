"""True peak: the highest magnitude between the samples, after ITU-R BS.1770-5, Annex 2."""

from __future__ import annotations

from collections.abc import Sequence
from math import fsum

import numpy as np
from numpy.typing import NDArray

from residue.loudness.meters.hops import magnitudes

Floats = NDArray[np.float64]

_PHASE_0 = (
    0.0017089843750, 0.0109863281250, -0.0196533203125, 0.0332031250000, -0.0594482421875, 0.1373291015625,
    0.9721679687500, -0.1022949218750, 0.0476074218750, -0.0266113281250, 0.0148925781250, -0.0083007812500,
)  # fmt: skip
_PHASE_1 = (
    -0.0291748046875, 0.0292968750000, -0.0517578125000, 0.0891113281250, -0.1665039062500, 0.4650878906250,
    0.7797851562500, -0.2003173828125, 0.1015625000000, -0.0582275390625, 0.0330810546875, -0.0189208984375,
)  # fmt: skip
PHASES = (_PHASE_0, _PHASE_1, _PHASE_1[::-1], _PHASE_0[::-1])
"""BS.1770-5, Annex 2: the interpolating filter, four phases of twelve taps."""

TAPS = len(_PHASE_0)
REACH = TAPS - 1
"""How many samples before a frame its interpolation needs."""

_NEAR = TAPS // 2
"""Each phase lies between the samples _NEAR and _NEAR - 1 before its frame."""


def _bend_gain() -> float:
    """The most that the second difference of a signal can add to its interpolation.

    A phase is the straight line between its two nearest samples, times its gain at DC, plus a filter of the second
    difference: what remains has neither a sum nor a first moment, so it can be summed up twice.
    """
    most = 0.0
    for phase in PHASES:
        rest = np.array(phase)
        gain, centre = np.add.reduce(rest), np.add.reduce(rest * np.arange(TAPS)) / np.add.reduce(rest)
        rest[_NEAR - 1] -= gain * (_NEAR - centre)
        rest[_NEAR] -= gain * (centre - (_NEAR - 1))
        most = max(most, float(np.add.reduce(np.abs(np.cumsum(np.cumsum(rest))))))
    return most


_ROUNDING = 1.0 + 1e-9
SUM_OF_MAGNITUDES = max(fsum(map(abs, phase)) for phase in PHASES) * _ROUNDING
"""No phase gives more than this times the highest of its samples."""
_DC_GAIN = max(fsum(phase) for phase in PHASES) * _ROUNDING
_BEND_GAIN = _bend_gain() * _ROUNDING
"""No phase gives more than _DC_GAIN times the higher of its two nearest samples plus _BEND_GAIN times the greatest
second difference."""

_SUB_BLOCK_FRAMES = 120
_MANY = 0.2
"""The share of frames from which on it is cheaper to interpolate all of them."""


def peaks_above(signals: Floats, thresholds: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats]:
    """The places where the true peak may lie above a threshold, and its value there; exact, and cheap in the quiet.

    signals: (channels, REACH + frames), frames a multiple of 120; thresholds: (channels,). Gives channels, frames and
    peaks, (n,) each. Frames count from 0 at signals[:, REACH].
    """
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
    may = _DC_GAIN * highest[channel, block] + bent > thresholds[channel]
    channel, block, bent = channel[may], block[may], bent[may]
    sizes = np.abs(near[may])
    pairs = np.maximum(sizes[:, REACH - _NEAR : -_NEAR], sizes[:, REACH - _NEAR + 1 : sizes.shape[1] - _NEAR + 1])
    row, at = np.nonzero(_DC_GAIN * pairs + bent[:, np.newaxis] > thresholds[channel][:, np.newaxis])
    if len(row) > _MANY * signals.size:
        return _everywhere(signals)
    channel, frames = channel[row], block[row] * _SUB_BLOCK_FRAMES + at
    return channel, frames, _interpolated(signals, channel, frames)


def _everywhere(signals: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats]:
    """All channels, frames and peaks: where most have to be looked at, that is the cheaper way."""
    frames = signals.shape[1] - REACH
    highest = _highest_of_phases([signals[:, REACH - tap : REACH - tap + frames] for tap in range(TAPS)])
    channel, at = np.indices(highest.shape)
    return channel.ravel(), at.ravel(), highest.ravel()


def _interpolated(signals: Floats, channels: NDArray[np.int64], frames: NDArray[np.int64]) -> Floats:
    """The highest magnitude of the four phases at some frames of some channels."""
    if not len(frames):
        return np.zeros(0)
    return _highest_of_phases([signals[channels, frames + (REACH - tap)] for tap in range(TAPS)])


def _highest_of_phases(samples: Sequence[Floats]) -> Floats:
    """samples: by tap, the latest first. The order of the sum is fixed: the same bits on either way here."""
    highest, total, product = (np.zeros(samples[0].shape) for _ in range(3))
    for phase in PHASES:
        total[...] = 0.0
        for sample, weight in zip(samples, phase, strict=True):
            total += np.multiply(sample, weight, out=product)
        np.maximum(highest, np.abs(total, out=total), out=highest)
    return highest


def filled(block: Floats) -> Floats:
    """The last axis brought to a multiple of 120 frames after REACH, with silence."""
    missing = -(block.shape[1] - REACH) % _SUB_BLOCK_FRAMES
    return np.pad(block, ((0, 0), (0, missing))) if missing else block


class TruePeakMeter:
    """The highest true peak of a stream so far. What cannot be higher is not looked at."""

    def __init__(self, channels: int) -> None:
        self._tail = np.zeros((channels, REACH))
        self.highest = np.zeros(channels)
        """(channels,): full scale = 1."""

    def __call__(self, block: Floats) -> None:
        """Take in a block, (channels, frames)."""
        joined, frames = np.concatenate((self._tail, block), axis=1), block.shape[1]
        self._tail = joined[:, -REACH:].copy()
        sample_peaks = magnitudes(joined)
        if not np.any(SUM_OF_MAGNITUDES * sample_peaks > self.highest):
            return
        signals = filled(joined)
        self._look_around(signals, np.flatnonzero(sample_peaks > self.highest), frames)
        channel, at, peaks = peaks_above(signals, self.highest)
        within = at < frames
        np.maximum.at(self.highest, channel[within], peaks[within])

    def _look_around(self, signals: Floats, channels: NDArray[np.int64], frames: int) -> None:
        """Examines the neighbourhood of the highest sample first: little else can be higher then."""
        around = np.argmax(np.abs(signals[channels]), axis=1)[:, np.newaxis] + np.arange(TAPS) - REACH
        channel, at = np.repeat(channels, TAPS), np.clip(around, 0, frames - 1).ravel() if frames else around.ravel()
        np.maximum.at(self.highest, channel, _interpolated(signals, channel, at))
