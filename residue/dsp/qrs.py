"""Finds the beats in an ECG as it comes, without ever looking ahead.

Source: after Pan and Tompkins, IEEE Trans Biomed Eng 32 (1985) 230-236: band-pass, slope, square, moving sum over
150 ms, two adaptive levels, refractory time, T wave told by its slope, search back. Ours differs in that the
root of the sum is judged, so that weak and strong beats (as in bigeminy) lie nearer together, that the stream may have
any unit, that the levels fall again after an artefact, and that a beat must look like one of those shortly before it:
noise never looks alike twice.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import median
from typing import NamedTuple

import numpy as np

from residue.dsp import filters
from residue.dsp.exact import Floats
from residue.dsp.filters import FromFirst, SosFilter
from residue.dsp.sliding import sliding_sum

HOP_S = 0.005
_BAND_HZ = (5.0, 15.0)
_SHAPE_HZ = (3.0, 40.0)
"""Within it a QRS complex keeps its shape, so that beats are placed and compared in it."""
_SHAPE_DELAY_S = 0.0015
_SLOPE_S = 0.01
_SUM_S = 0.15
_LEARNING_S = 2.0
_REFRACTORY_S = 0.2
_T_WAVE_S = 0.36
_SEARCH_BACK = 1.66
_FORGET_S = 3.0
_ALIKE = 0.75
"""Correlation from which two complexes look alike; our choice, see the test with noise."""
_MOST_CREDIT = 2
"""So many beats in a row may look like none before, where those before looked alike; our choice, see there."""
_COMPARED_S = 0.15
"""So much before and after the R wave is compared."""
_LEAST = 1e-9
"""Strength below which there is no ECG, whatever its unit."""
_MOST_AT_ONCE = 3.0
"""By how much a single peak can count above the level of the signal: an artefact is not let in whole."""
_FALLEN = 0.7
_FIRST_INTERVAL_S = 1.0
_REMEMBERED_S = 5.0


@dataclass(frozen=True, slots=True)
class Beat:
    """In values of the stream: where the R wave is, where it was known, and the way from the R wave before (or 0)."""

    at: int
    known_at: int
    interval: int


class _Hop(NamedTuple):
    """What 5 ms of the stream come down to; the highest and the lowest deflection with where they are in the stream."""

    highest: float
    highest_at: int
    lowest: float
    lowest_at: int
    shape: float
    slope: float
    strength: float


class _Peak(NamedTuple):
    """The top of a rise of the moving sum."""

    strength: float
    slope: float
    hop: int


class BeatFinder:
    """Takes an ECG at rate_hz piece by piece and gives the beats, each as soon as it is sure."""

    def __init__(self, rate_hz: int) -> None:
        self._hop = round(HOP_S * rate_hz)
        self._centre, self._band = FromFirst(), SosFilter(filters.bandpass(*_BAND_HZ, rate_hz))
        self._before = np.zeros(round(_SLOPE_S * rate_hz))
        self._sum = sliding_sum(round(_SUM_S * rate_hz))
        self._shape = SosFilter(filters.bandpass(*_SHAPE_HZ, rate_hz, 1))
        self._delay = round(_SHAPE_DELAY_S * rate_hz)
        self._waiting = np.empty((3, 0))
        self._seen = self._last_at = 0
        self._decide = _Decisions()

    def __call__(self, ecg: Floats) -> list[Beat]:
        """The beats that became known within these values."""
        centred = self._centre(ecg)
        band = self._band(centred)
        ahead = np.concatenate((self._before, band))
        slope = ahead[len(self._before) :] - ahead[: len(band)]
        self._before = ahead[len(band) :]
        strength = np.sqrt(self._sum(slope * slope))
        self._waiting = np.concatenate((self._waiting, (self._shape(centred), slope, strength)), axis=1)
        beats = []
        for hop in self._hops():
            self._seen += self._hop
            placed = self._decide(hop)
            if placed:
                at, is_sure = placed[0] - self._delay, placed[1]
                if is_sure:
                    beats.append(Beat(at, self._seen - 1, at - self._last_at if self._last_at else 0))
                self._last_at = at
        return beats

    def _hops(self) -> Iterable[_Hop]:
        """The hops that are complete."""
        count = self._waiting.shape[1] // self._hop
        whole = self._waiting[:, : count * self._hop].reshape(3, count, self._hop)
        self._waiting = self._waiting[:, count * self._hop :]
        shape, slope, strength = whole
        starts = self._seen + np.arange(count) * self._hop
        return [
            _Hop(*fields)
            for fields in zip(
                shape.max(axis=1).tolist(),
                (starts + shape.argmax(axis=1)).tolist(),
                shape.min(axis=1).tolist(),
                (starts + shape.argmin(axis=1)).tolist(),
                shape[:, -1].tolist(),
                np.abs(slope).max(axis=1).tolist(),
                strength[:, -1].tolist(),
                strict=True,
            )
        ]


class _Decisions:
    """Which rises of the moving sum are beats."""

    def __init__(self) -> None:
        self._hops: deque[_Hop] = deque(maxlen=_hops_in(_REMEMBERED_S))
        self._now = 0
        self._signal = self._noise = 0.0
        self._rise: _Peak | None = None
        self._valley = 0.0
        self._passed_over: _Peak | None = None
        self._last_beat = _Peak(0.0, 0.0, 0)
        self._forgot = 0
        self._intervals: deque[int] = deque([_hops_in(_FIRST_INTERVAL_S)], maxlen=8)
        self._up = self._down = 0.0
        self._familiar = Familiar()

    def __call__(self, hop: _Hop) -> tuple[int, bool] | None:
        """Where a beat is, in values of the stream, and whether it looks like one, if this hop has completed one."""
        self._hops.append(hop)
        self._now += 1
        if self._now <= _hops_in(_LEARNING_S):
            self._learn(hop)
            return None
        peak = self._finished_peak(hop)
        beat = self._classify(peak) if peak else None
        beat = beat or self._search_back()
        if beat:
            return self._place(beat)
        self._forget()
        return None

    def _learn(self, hop: _Hop) -> None:
        self._signal = max(self._signal, hop.strength / 2)
        self._noise += hop.strength / (2 * _hops_in(_LEARNING_S))

    def _finished_peak(self, hop: _Hop) -> _Peak | None:
        """The top of a rise, once the sum has fallen well below it or nothing higher came for a while."""
        if self._rise is None:
            self._valley = min(self._valley, hop.strength)
            if hop.strength > 1.2 * self._valley + 0.1 * self._signal:
                self._rise = _Peak(hop.strength, hop.slope, self._now)
            return None
        slope = max(hop.slope, self._rise.slope)
        if hop.strength > self._rise.strength:
            self._rise = _Peak(hop.strength, slope, self._now)
            return None
        self._rise = self._rise._replace(slope=slope)
        if hop.strength > _FALLEN * self._rise.strength and self._now - self._rise.hop < _hops_in(_SUM_S):
            return None
        peak, self._rise, self._valley = self._rise, None, hop.strength
        return peak

    def _classify(self, peak: _Peak) -> _Peak | None:
        since = peak.hop - self._last_beat.hop
        level = self._noise + 0.25 * (self._signal - self._noise)
        if since < _hops_in(_REFRACTORY_S):
            return None
        if peak.strength > level and not self._is_t_wave(peak, since):
            self._signal += 0.125 * (min(peak.strength, _MOST_AT_ONCE * self._signal) - self._signal)
            return peak
        self._noise += 0.125 * (min(peak.strength, self._signal) - self._noise)
        if peak.strength > level / 2 and (self._passed_over is None or peak.strength > self._passed_over.strength):
            self._passed_over = peak
        return None

    def _is_t_wave(self, peak: _Peak, since: int) -> bool:
        return since < _hops_in(_T_WAVE_S) and peak.slope < self._last_beat.slope / 2

    def _search_back(self) -> _Peak | None:
        """The best peak that was passed over, where a beat is overdue."""
        overdue = self._now - self._last_beat.hop > _SEARCH_BACK * median(self._intervals)
        if self._passed_over is None or not overdue:
            return None
        self._signal += 0.25 * (self._passed_over.strength - self._signal)
        return self._passed_over

    def _forget(self) -> None:
        """Halve both levels for every while without a beat: after an artefact they stand too high."""
        if self._now - max(self._last_beat.hop, self._forgot) > _hops_in(_FORGET_S):
            self._signal /= 2
            self._noise /= 2
            self._forgot = self._now

    def _place(self, beat: _Peak) -> tuple[int, bool]:
        """Where the largest deflection of the usual sign is, and whether it looks like one of the last beats."""
        self._intervals.append(min(beat.hop - self._last_beat.hop, _hops_in(_FORGET_S)))
        self._last_beat, self._passed_over = beat, None
        hops = list(self._hops)
        end = len(hops) + beat.hop - self._now
        candidates = range(max(0, end - _hops_in(_SUM_S + _SLOPE_S)), end)
        high = max(candidates, key=lambda index: hops[index].highest)
        low = min(candidates, key=lambda index: hops[index].lowest)
        self._up += 0.125 * (hops[high].highest - self._up)
        self._down += 0.125 * (-hops[low].lowest - self._down)
        upright = self._up >= self._down
        middle, reach = high if upright else low, _hops_in(_COMPARED_S)
        shape = [hop.shape for hop in hops[max(0, middle - reach) : middle + reach]]
        familiar = self._familiar(shape)
        believed = beat.strength > _LEAST and familiar
        return (hops[middle].highest_at if upright else hops[middle].lowest_at), believed


class Familiar:
    """Whether beats look like those before them, for detectors that must not take noise for a heart.

    One that looks like none of the last four, an extra beat of the ventricles for instance, is let pass on their
    credit.
    """

    def __init__(self) -> None:
        self._seen: deque[list[float]] = deque(maxlen=4)
        self._credit = 0

    def __call__(self, shape: list[float]) -> bool:
        """Whether a beat of this shape, the next in time, is to be believed."""
        looks_like_one = any(_alike(shape, seen) for seen in self._seen)
        believed = looks_like_one or self._credit > 0
        self._credit = min(self._credit + 1, _MOST_CREDIT) if looks_like_one else max(self._credit - 1, 0)
        self._seen.append(shape)
        return believed


def _alike(one: list[float], other: list[float]) -> bool:
    """Whether two shapes correlate, as far as both go."""
    products = math.fsum(a * b for a, b in zip(one, other, strict=False))
    squares = math.fsum(a * a for a in one) * math.fsum(b * b for b in other)
    return products > _ALIKE * math.sqrt(squares)


def _hops_in(time_s: float) -> int:
    return round(time_s / HOP_S)
