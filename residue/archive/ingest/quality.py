"""Quality of a recording: gaps, clipped and flat stretches, mains hum, plausible beats."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from scipy import signal

from residue.archive.gaps import Bridged
from residue.archive.ingest.rates import rate_doubt
from residue.archive.performance import ChannelKind
from residue.archive.readers.beats import BeatList
from residue.dsp.intervals import Plausible
from residue.dsp.qrs import BeatFinder
from residue.dsp.resampling import Floats, SampleStream, resampled
from residue.mapping.signals import CONTROL_RATE_HZ

_CELLS_A_SECOND = 4
"""The extremes are kept about so often: enough for a picture of hours, and to find flat stretches."""
_BLOCK_SAMPLES = 1 << 16
_BEATS_CELL_S = 2.0
"""The length of a cell for a list of beats: at 30 beats a minute each cell has at least one."""
_FLAT_S = 1.0
_SLOW_FLAT_S = {ChannelKind.RESP: 10.0, ChannelKind.EDA: 30.0, ChannelKind.TEMP: 60.0}
"""A slow signal may keep one value of its converter for so long. Our choice."""
_CALM = (ChannelKind.EDA, ChannelKind.TEMP)
"""These kinds may also stay at their own extreme for that time without being clipped."""
_MAINS_HZ = (50.0, 60.0)
_HUM_WINDOW_S = 10.0
_HUM_WINDOWS = 6
_HUM_RATE_HZ = 4000
"""Means reduce the signal to about this rate, which is fast; frequencies that fold onto a mains frequency are 36 dB
lower.
"""
_PLAUSIBLE_S = (60 / 300, 60 / 15)
"""Intervals between 300 and 15 beats a minute; a choice for human hearts."""


@dataclass(frozen=True, kw_only=True)
class Quality:
    """The findings on one channel."""

    duration_s: float
    rate_hz: float
    cell_s: float
    lows: Floats = field(repr=False)
    """(cells,): the lowest value in each cell_s, NaN where nothing was recorded."""
    highs: Floats = field(repr=False)
    missing_share: float
    """The share of samples that were not recorded, or are not numbers."""
    clipped_share: float
    flat_s: float
    """The total time of stretches without movement of at least a second, or for slow kinds of at least 10 s."""
    hum_hz: float | None
    hum_db: float
    """The level of the mains frequency above its neighbourhood, in dB."""
    rate_doubt: str = ""
    """Why its rate is not likely for its kind, in words."""
    plausible_beats: float | None = None
    """For a channel of the heart: the share of plausible intervals; for an ECG, the share of time with them."""


class _Extremes:
    """Collects the extremes of cells, and counts the samples at the recording's own extreme, in one pass."""

    def __init__(self, stream: SampleStream) -> None:
        # A power of two, so that cells end where the blocks of readers end.
        self.cell = min(1 << max(1, round(math.log2(stream.rate_hz / _CELLS_A_SECOND))), _BLOCK_SAMPLES)
        self.lows: list[Floats] = []
        self.highs: list[Floats] = []
        self.missing = 0
        self._tops = {1: (-np.inf, 0), -1: (-np.inf, 0)}

    def __call__(self, block: Floats) -> None:
        """Takes a block of whole cells; only the last block may end within one."""
        short = -len(block) % self.cell
        cells = (np.pad(block, (0, short), mode="edge") if short else block).reshape(-1, self.cell)
        low, high = cells.min(axis=1), cells.max(axis=1)
        if np.isnan(low).any() or np.isinf(low).any() or np.isinf(high).any():
            finite = np.isfinite(block)
            self.missing += len(block) - int(finite.sum())
            block = np.where(finite, block, 0.0)
            bad = ~np.isfinite(cells).all(axis=1)
            low, high = np.where(bad, np.nan, low), np.where(bad, np.nan, high)
        self.lows.append(low)
        self.highs.append(high)
        for sign, extremes in ((1, high), (-1, -low)):
            self._count(sign, block, extremes)

    def _count(self, sign: int, block: Floats, extremes: Floats) -> None:
        known = extremes[~np.isnan(extremes)]
        top, count = self._tops[sign]
        if len(known) and known.max() >= top:
            if known.max() > top:
                top, count = float(known.max()), 0
            at = block == sign * top
            # Three samples in a row at the recording's own extreme count as clipped; common practice, no source.
            runs = at[:-2] & at[1:-1] & at[2:]
            self._tops[sign] = (top, count + int(runs.sum()))

    @property
    def clipped(self) -> int:
        """Samples in runs at the extremes. A recording that never moves is flat, not clipped."""
        (highest, at_top), (lowest, at_bottom) = self._tops[1], self._tops[-1]
        return 0 if highest == -lowest else at_top + at_bottom


def examine_samples(stream: SampleStream, kind: ChannelKind) -> Iterator[float | Quality]:
    """Examines a channel in one pass; gives the finished share from time to time, and at the end the quality."""
    extremes, hum = _Extremes(stream), _Hum(stream)
    for start in range(0, stream.length, _BLOCK_SAMPLES):
        block = stream.read(start, min(start + _BLOCK_SAMPLES, stream.length))
        extremes(block)
        hum(start, block)
        yield start / stream.length
    lows, highs = np.concatenate(extremes.lows), np.concatenate(extremes.highs)
    cell_s, duration_s = float(extremes.cell / stream.rate_hz), float(stream.length / stream.rate_hz)
    clipped_share = extremes.clipped / stream.length
    if kind in _CALM and clipped_share > 0:
        at_extreme = np.where((highs == np.nanmin(lows)) | (lows == np.nanmax(highs)), highs, np.nan)
        clipped_share = _flat_s(at_extreme, at_extreme, cell_s, _SLOW_FLAT_S[kind]) / duration_s
    hum_hz, hum_db = hum.found()
    yield Quality(
        duration_s=duration_s,
        rate_hz=float(stream.rate_hz),
        cell_s=cell_s,
        lows=lows,
        highs=highs,
        missing_share=extremes.missing / stream.length,
        clipped_share=clipped_share,
        flat_s=_flat_s(lows, highs, cell_s, _SLOW_FLAT_S.get(kind, _FLAT_S)),
        hum_hz=hum_hz,
        hum_db=hum_db,
        rate_doubt=rate_doubt(kind, float(stream.rate_hz)),
        plausible_beats=_plausible_in(stream) if kind is ChannelKind.ECG else None,
    )


def examine_beats(beats: BeatList) -> Quality:
    """The quality of a list of beats; its picture is that of its intervals."""
    intervals = beats.intervals_s[1:]
    duration_s = float(beats.times_s[-1])
    cells = (beats.times_s[1:] / _BEATS_CELL_S).astype(int)
    lows, highs = np.full((2, int(duration_s / _BEATS_CELL_S) + 1), np.nan)
    np.fmin.at(lows, cells, intervals)
    np.fmax.at(highs, cells, intervals)
    return Quality(
        duration_s=duration_s,
        rate_hz=len(intervals) / duration_s,
        cell_s=_BEATS_CELL_S,
        lows=lows,
        highs=highs,
        missing_share=0.0,
        clipped_share=0.0,
        flat_s=0.0,
        hum_hz=None,
        hum_db=0.0,
        plausible_beats=_plausible(intervals)[0],
    )


def _flat_s(lows: Floats, highs: Floats, cell_s: float, least_s: float) -> float:
    """The time in stretches of cells with one constant value that last least_s or longer."""
    flat = lows == highs
    goes_on = flat[1:] & flat[:-1] & (lows[1:] == lows[:-1])
    begins = np.flatnonzero(np.concatenate(([True], ~goes_on)))
    lengths_s = np.diff(begins, append=len(flat)) * cell_s
    return float(lengths_s[flat[begins] & (lengths_s >= least_s)].sum())


class _Hum:
    """Collects the spectrum of a few windows in the same pass, to find hum at a mains frequency."""

    def __init__(self, stream: SampleStream) -> None:
        self._thinned = max(1, math.floor(stream.rate_hz / _HUM_RATE_HZ))
        self._window = round(_HUM_WINDOW_S * stream.rate_hz / self._thinned) * self._thinned
        fits = stream.rate_hz >= 2 * (_MAINS_HZ[-1] + 5.0) and stream.length >= self._window
        last, many = stream.length - self._window, min(_HUM_WINDOWS, stream.length // max(self._window, 1))
        self._starts = [int(start) for start in np.linspace(0, last, many)] if fits else []
        self._held = np.empty(0)
        self._power = np.zeros(round(_HUM_WINDOW_S * (_MAINS_HZ[-1] + 5.0)) + 1)

    def __call__(self, start: int, block: Floats) -> None:
        """The samples from `start` on; blocks come in order."""
        while self._starts:
            wanted = max(self._starts[0] + len(self._held) - start, 0)
            self._held = np.concatenate((self._held, block[wanted : wanted + self._left]))
            if self._left:
                return
            if np.isfinite(self._held).all():
                thin = self._held.reshape(-1, self._thinned).mean(axis=1)
                spectrum = np.fft.rfft((thin - thin.mean()) * _window(len(thin)))
                self._power += np.abs(spectrum[: len(self._power)]) ** 2
            self._held = np.empty(0)
            self._starts.pop(0)

    @property
    def _left(self) -> int:
        return self._window - len(self._held)

    def found(self) -> tuple[float | None, float]:
        """The stronger mains frequency, and its level in dB above the 5 Hz around it."""
        if not self._power.any():
            return None, 0.0
        hertz = np.arange(len(self._power)) / _HUM_WINDOW_S
        return max(((mains_hz, self._stands_out_db(np.abs(hertz - mains_hz))) for mains_hz in _MAINS_HZ), key=_second)

    def _stands_out_db(self, away_hz: Floats) -> float:
        line = self._power[away_hz <= 0.3].mean()
        around = self._power[(away_hz > 1.0) & (away_hz <= 5.0)].mean()
        return float(10 * np.log10(line / around)) if around > 0 and line > 0 else 0.0


@lru_cache(maxsize=4)
def _window(samples: int) -> Floats:
    return np.asarray(signal.windows.hann(samples, sym=False))


def _second(pair: tuple[float, float]) -> float:
    return pair[1]


def _intervals(stream: SampleStream) -> Floats:
    """The intervals from beat to beat of an ECG, in seconds."""
    slow = resampled(Bridged(stream), CONTROL_RATE_HZ)
    finder = BeatFinder(CONTROL_RATE_HZ)
    beats: list[int] = []
    for start in range(0, slow.length, _BLOCK_SAMPLES):
        beats += [beat.at for beat in finder(slow.read(start, min(start + _BLOCK_SAMPLES, slow.length)))]
    return np.diff(np.array(beats)) / CONTROL_RATE_HZ


def _plausible(intervals_s: Floats) -> tuple[float, float]:
    """The share of plausible intervals, and their total time.

    The intervals of an irregular heart count as plausible: the usual change of this heart decides.
    """
    plausible = Plausible(*_PLAUSIBLE_S)
    believed: list[float] = []
    for interval_s in intervals_s.tolist():
        if plausible(interval_s):
            believed += plausible.new_rhythm or (interval_s,)
    return len(believed) / max(len(intervals_s), 1), math.fsum(believed)


def _plausible_in(stream: SampleStream) -> float:
    """The share of an ECG's time in which a heart beats plausibly."""
    return min(1.0, _plausible(_intervals(stream))[1] / max(float(stream.length / stream.rate_hz) - 2.0, 1.0))
