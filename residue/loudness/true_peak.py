"""True peak: the highest magnitude between the samples, after ITU-R BS.1770-5, Annex 2."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

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
    """What the second difference of a signal can add to its interpolation, at most.

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
SUM_OF_MAGNITUDES = max(sum(map(abs, phase)) for phase in PHASES) * _ROUNDING
"""No phase gives more than this times the highest of its samples."""
_DC_GAIN = max(sum(phase) for phase in PHASES) * _ROUNDING
_BEND_GAIN = _bend_gain() * _ROUNDING
"""No phase gives more than _DC_GAIN times the higher of its two nearest samples plus _BEND_GAIN times the greatest
second difference."""

_SUB_BLOCK_FRAMES = 120


def peaks_above(signal: Floats, threshold: float) -> tuple[NDArray[np.int64], Floats]:
    """Frames at which the true peak may lie above a threshold, and what it is there; exact, and cheap in the quiet.

    signal: (REACH + frames,), frames a multiple of 120. Frames count from 0 at signal[REACH].
    """
    blocks = (len(signal) - REACH) // _SUB_BLOCK_FRAMES
    step = signal.strides[0]
    rows = np.lib.stride_tricks.as_strided(
        signal, (blocks, REACH + _SUB_BLOCK_FRAMES), (_SUB_BLOCK_FRAMES * step, step), writeable=False
    )
    magnitudes = np.abs(rows)
    highest = np.max(magnitudes, axis=1)
    loud = np.flatnonzero(SUM_OF_MAGNITUDES * highest > threshold)
    slopes = rows[loud, 1:] - rows[loud, :-1]
    bends = _BEND_GAIN * np.max(np.abs(slopes[:, 1:] - slopes[:, :-1]), axis=1, initial=0.0)
    near = magnitudes[loud, REACH - _NEAR : -_NEAR]
    after = magnitudes[loud, REACH - _NEAR + 1 : magnitudes.shape[1] - _NEAR + 1]
    block, at = np.nonzero(_DC_GAIN * np.maximum(near, after) + bends[:, np.newaxis] > threshold)
    frames = loud[block] * _SUB_BLOCK_FRAMES + at
    return frames, _interpolated(signal, frames) if len(frames) else np.zeros(0)


def _interpolated(signal: Floats, frames: NDArray[np.int64]) -> Floats:
    """The highest magnitude of the four phases at some frames."""
    samples = [signal[frames + (REACH - tap)] for tap in range(TAPS)]
    highest = np.zeros(len(frames))
    for phase in PHASES:
        total = np.zeros(len(frames))
        for sample, weight in zip(samples, phase, strict=True):
            total += sample * weight
        np.maximum(highest, np.abs(total), out=highest)
    return highest


def filled(block: Floats) -> Floats:
    """The last axis brought to a multiple of 120 frames after REACH, with silence."""
    return np.pad(block, ((0, 0), (0, -(block.shape[1] - REACH) % _SUB_BLOCK_FRAMES)))


class TruePeakMeter:
    """The highest true peak of a stream so far. What cannot be higher is not looked at."""

    def __init__(self, channels: int) -> None:
        self._tail = np.zeros((channels, REACH))
        self.highest = np.zeros(channels)
        """(channels,): full scale = 1."""

    def __call__(self, block: Floats) -> None:
        """Take in a block, (channels, frames)."""
        joined = np.concatenate((self._tail, block), axis=1)
        self._tail = joined[:, -REACH:].copy()
        for channel, signal in enumerate(filled(joined)):
            self.highest[channel] = _higher(signal, block.shape[1], float(self.highest[channel]))


def _higher(signal: Floats, frames: int, highest: float) -> float:
    """The true peak of the first frames of a signal if it is above `highest`, else that."""
    sample_peak = float(max(np.max(signal), -np.min(signal)))
    if SUM_OF_MAGNITUDES * sample_peak <= highest:
        return highest
    if sample_peak > highest:
        # What lies around the highest sample is looked at first: little else can be higher then.
        around = int(np.argmax(np.abs(signal))) + np.arange(TAPS) - REACH
        around = around[(around >= 0) & (around < frames)]
        highest = max(highest, float(np.max(_interpolated(signal, around), initial=0.0)))
    at, peaks = peaks_above(signal, highest)
    return max(highest, float(np.max(peaks[at < frames], initial=0.0)))
