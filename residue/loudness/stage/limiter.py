"""A true-peak limiter with look-ahead: the ceiling of each output is never exceeded, by any input."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact, kernel
from residue.dsp.kernel import magnitudes
from residue.loudness.meters.hops import HOP_FRAMES, HOP_RATE_HZ
from residue.loudness.meters.true_peak import REACH, SUM_OF_MAGNITUDES, peaks_above
from residue.loudness.outputs.outputs import Output

Floats = NDArray[np.float64]
IntegerGains = NDArray[np.int64]

ONE = 1 << 30
"""Gains are integers in steps of 2**-30, so that minima and sums are exact for any block size."""
FADE_FRAMES = 480
"""The gain goes down over 10 ms."""
RELEASE_S = 0.5
"""The gain rises by one full scale in this time."""
MARGIN_DB = 0.5
"""A margin below the ceiling: a moving gain can raise a peak between the samples by up to 0.3 dB."""

DELAY_FRAMES = FADE_FRAMES + REACH
"""The delay of each frame."""
_WINDOW_FRAMES = DELAY_FRAMES + 1
_CENTRE = REACH // 2


def limiter_ceiling(output: Output) -> float:
    """The true peak, full scale = 1, above which the limiter acts on an output."""
    return exact.gain_from_db(output.ceiling_dbtp - MARGIN_DB)


def _minimum_before(values: IntegerGains, window: int) -> IntegerGains:
    """The lowest of each `window` consecutive values along the last axis: (n, m) gives (n, m - window + 1)."""
    span = 1
    while span * 2 <= window:
        values = np.minimum(values[:, :-span], values[:, span:])
        span *= 2
    rest = window - span
    return np.minimum(values[:, : values.shape[1] - rest], values[:, rest:]) if rest else values


class Limiter:
    """Limits true peaks.

    Outputs with the same kind of transducer share a gain: speakers keep their balance, and a shaker never lowers a
    speaker.
    """

    _STEP = round(ONE / (RELEASE_S * HOP_RATE_HZ))

    def __init__(self, outputs: Mapping[str, Output], slice_frames: int = HOP_FRAMES) -> None:
        self._frames = slice_frames
        self._climb = np.arange(1, slice_frames + 1, dtype=np.int64) * self._STEP
        kinds = sorted({output.transducer for output in outputs.values()})
        self._link = np.array([kinds.index(output.transducer) for output in outputs.values()])
        self._ceilings = np.array([limiter_ceiling(output) for output in outputs.values()])
        self._tail = np.zeros((len(outputs), DELAY_FRAMES))
        self._asked = np.full((len(kinds), _WINDOW_FRAMES - 1), ONE, dtype=np.int64)
        self._last = np.full((len(kinds), 1), ONE, dtype=np.int64)
        self._faded = np.full((len(kinds), FADE_FRAMES - 1), ONE, dtype=np.int64)
        self._rests = True  # no gain below 1 is remembered
        self.lowest_gain = 1.0
        """The lowest gain of the last slice."""

    def __call__(self, hop: Floats) -> Floats:
        """Takes one slice, (outputs, slice_frames), and gives as much, DELAY_FRAMES later."""
        highest = np.maximum(magnitudes(self._tail[:, -REACH:]), magnitudes(hop))
        joined = np.concatenate((self._tail, hop), axis=1)
        self._tail, delayed = joined[:, -DELAY_FRAMES:].copy(), joined[:, : self._frames].copy()
        loud = bool((SUM_OF_MAGNITUDES * highest > self._ceilings).any())
        asked = self._asked_gains(joined[:, DELAY_FRAMES - REACH :]) if loud else None
        if asked is None and self._rests:
            self.lowest_gain = 1.0
            return delayed
        gains = self._gains(np.full((len(self._last), self._frames), ONE) if asked is None else asked)
        self._rests = all(bool(np.all(history == ONE)) for history in (self._asked, self._last, self._faded))
        self.lowest_gain = float(np.min(gains))
        limited: Floats = delayed * gains[self._link]
        return limited

    def _asked_gains(self, joined: Floats) -> IntegerGains | None:
        """(links, frames): the gain that lowers each frame to the ceiling; None if no frame is above it."""
        output, frames, peaks = peaks_above(joined, self._ceilings)
        if not len(frames):
            return None
        ceilings = self._ceilings[output]
        samples = np.abs(joined[output, frames + (REACH - _CENTRE)])
        peaks = np.maximum(np.maximum(peaks, samples), ceilings)
        asked = np.full((len(self._last), self._frames), ONE, dtype=np.int64)
        np.minimum.at(asked, (self._link[output], frames), np.floor(ceilings / peaks * ONE).astype(np.int64))
        return asked

    def _gains(self, asked: IntegerGains) -> Floats:
        """(links, frames): the held minimum, rising slowly, then smoothed over FADE_FRAMES."""
        history = np.concatenate((self._asked, asked), axis=1)
        self._asked = history[:, -(_WINDOW_FRAMES - 1) :].copy()
        if kernel.COMPILED:
            return self._compiled_gains(history)
        held = _minimum_before(history, _WINDOW_FRAMES)
        # A gain that rises by at most one step a frame is a running minimum of the values minus that rise.
        level = np.minimum.accumulate(np.concatenate((self._last, held - self._climb), axis=1), axis=1)
        rising = np.minimum(level[:, 1:] + self._climb, ONE)
        self._last = rising[:, -1:].copy()
        steps = np.concatenate((self._faded, rising), axis=1)
        self._faded = steps[:, -(FADE_FRAMES - 1) :].copy()
        total = np.cumsum(np.concatenate((np.zeros((len(steps), 1), dtype=np.int64), steps), axis=1), axis=1)
        gains: Floats = (total[:, FADE_FRAMES:] - total[:, :-FADE_FRAMES]) / (FADE_FRAMES * ONE)
        return gains

    def _compiled_gains(self, history: IntegerGains) -> Floats:
        gains = np.empty((len(history), self._frames))
        for link, asked in enumerate(history):
            gains[link], self._faded[link] = kernel.limit(
                asked, rising=self._faded[link], last=self._last[link], window=_WINDOW_FRAMES, step=self._STEP, one=ONE
            )
        return gains
