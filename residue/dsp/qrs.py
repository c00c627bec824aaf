"""Finds the beats in an ECG as it comes, without ever looking ahead.

Source: after Pan and Tompkins, IEEE Trans Biomed Eng 32 (1985) 230-236: band-pass, slope, square, moving sum over
150 ms, two adaptive levels, refractory time, T wave told by its slope, search back. Ours differs in that the stream
has any amplitude and unit, beats are placed on the largest deflection of the usual sign, levels fall again after an
artefact, and where nothing stands out of the noise there are no beats.
"""

from __future__ import annotations

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
_BAND_DELAY_S = 0.023
"""By which the band-pass moves the top of a QRS complex, measured on complexes 60 to 120 ms wide."""
_SLOPE_S = 0.01
_SUM_S = 0.15
_LEARNING_S = 2.0
_REFRACTORY_S = 0.2
_T_WAVE_S = 0.36
_SEARCH_BACK = 1.66
_FORGET_S = 2.0
_STANDS_OUT = 4.0
"""A beat's energy must be so many times that of the noise; of noise alone the levels do not come that far apart."""
_LEAST = 1e-18
"""Energy below which there is no ECG, whatever its unit."""
_MOST_AT_ONCE = 8.0
"""By how much a single peak can count above the level of the signal: an artefact is not let in whole."""
_FIRST_INTERVAL_S = 1.0
_REMEMBERED_S = 5.0


@dataclass(frozen=True, slots=True)
class Beat:
    """Both in values of the stream: where the R wave is, and where it was known."""

    at: int
    known_at: int


class _Hop(NamedTuple):
    """What 5 ms of the stream come down to; deflections of the band-passed ECG with the values where they are."""

    highest: float
    highest_at: int
    lowest: float
    lowest_at: int
    slope: float
    energy: float


class _Peak(NamedTuple):
    """The top of a rise of the moving sum."""

    energy: float
    slope: float
    hop: int


class BeatFinder:
    """Takes an ECG at rate_hz piece by piece and gives the beats, each as soon as it is sure."""

    def __init__(self, rate_hz: int) -> None:
        self._hop = round(HOP_S * rate_hz)
        self._centre, self._band = FromFirst(), SosFilter(filters.bandpass(*_BAND_HZ, rate_hz))
        self._before = np.zeros(round(_SLOPE_S * rate_hz))
        self._sum = sliding_sum(round(_SUM_S * rate_hz))
        self._delay = round(_BAND_DELAY_S * rate_hz)
        self._waiting = np.empty((3, 0))
        self._seen = 0
        self._decide = _Decisions()

    def __call__(self, ecg: Floats) -> list[Beat]:
        """The beats that became known within these values."""
        band = self._band(self._centre(ecg))
        ahead = np.concatenate((self._before, band))
        slope = ahead[len(self._before) :] - ahead[: len(band)]
        self._before = ahead[len(band) :]
        self._waiting = np.concatenate((self._waiting, (band, slope, self._sum(slope * slope))), axis=1)
        beats = []
        for hop in self._hops():
            self._seen += self._hop
            placed_at = self._decide(hop)
            if placed_at is not None:
                beats.append(Beat(placed_at - self._delay, self._seen - 1))
        return beats

    def _hops(self) -> Iterable[_Hop]:
        """The hops that are complete."""
        count = self._waiting.shape[1] // self._hop
        whole = self._waiting[:, : count * self._hop].reshape(3, count, self._hop)
        self._waiting = self._waiting[:, count * self._hop :]
        band, slope, energy = whole
        starts = self._seen + np.arange(count) * self._hop
        return [
            _Hop(*fields)
            for fields in zip(
                band.max(axis=1).tolist(),
                (starts + band.argmax(axis=1)).tolist(),
                band.min(axis=1).tolist(),
                (starts + band.argmin(axis=1)).tolist(),
                np.abs(slope).max(axis=1).tolist(),
                energy[:, -1].tolist(),
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

    def __call__(self, hop: _Hop) -> int | None:
        """Where the beat is, in values of the stream, if this hop has made one sure."""
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
        self._signal = max(self._signal, hop.energy / 2)
        self._noise += hop.energy / (2 * _hops_in(_LEARNING_S))

    def _finished_peak(self, hop: _Hop) -> _Peak | None:
        """The top of a rise, once the sum has fallen to half of it or nothing higher came for a while."""
        if self._rise is None:
            self._valley = min(self._valley, hop.energy)
            if hop.energy > 1.5 * self._valley + 0.02 * self._signal:
                self._rise = _Peak(hop.energy, hop.slope, self._now)
            return None
        slope = max(hop.slope, self._rise.slope)
        if hop.energy > self._rise.energy:
            self._rise = _Peak(hop.energy, slope, self._now)
            return None
        self._rise = self._rise._replace(slope=slope)
        if hop.energy > self._rise.energy / 2 and self._now - self._rise.hop < _hops_in(_SUM_S):
            return None
        peak, self._rise, self._valley = self._rise, None, hop.energy
        return peak

    def _classify(self, peak: _Peak) -> _Peak | None:
        since = peak.hop - self._last_beat.hop
        level = self._noise + 0.25 * (self._signal - self._noise)
        if since < _hops_in(_REFRACTORY_S):
            return None
        if peak.energy > level and not self._is_t_wave(peak, since):
            self._signal += 0.125 * (min(peak.energy, _MOST_AT_ONCE * self._signal) - self._signal)
            return peak
        self._noise += 0.125 * (peak.energy - self._noise)
        if peak.energy > level / 2 and (self._passed_over is None or peak.energy > self._passed_over.energy):
            self._passed_over = peak
        return None

    def _is_t_wave(self, peak: _Peak, since: int) -> bool:
        return since < _hops_in(_T_WAVE_S) and peak.slope < self._last_beat.slope / 2

    def _search_back(self) -> _Peak | None:
        """The best peak that was passed over, where a beat is overdue."""
        overdue = self._now - self._last_beat.hop > _SEARCH_BACK * median(self._intervals)
        if self._passed_over is None or not overdue:
            return None
        self._signal += 0.25 * (self._passed_over.energy - self._signal)
        return self._passed_over

    def _forget(self) -> None:
        """Halve the level of the signal for every while without a beat: after an artefact it stands too high."""
        if self._now - max(self._last_beat.hop, self._forgot) > _hops_in(_FORGET_S):
            self._signal /= 2
            self._forgot = self._now

    def _place(self, beat: _Peak) -> int | None:
        """The largest deflection of the usual sign within the time that the moving sum looked back on."""
        interval, self._last_beat, self._passed_over = beat.hop - self._last_beat.hop, beat, None
        self._intervals.append(min(interval, _hops_in(_FORGET_S)))
        if self._signal < max(_STANDS_OUT * self._noise, _LEAST):
            return None
        first = beat.hop - self._now - _hops_in(_SUM_S + _SLOPE_S)
        looked_at = list(self._hops)[first : beat.hop - self._now or None]
        high = max(looked_at, key=lambda hop: hop.highest)
        low = min(looked_at, key=lambda hop: hop.lowest)
        self._up += 0.125 * (high.highest - self._up)
        self._down += 0.125 * (-low.lowest - self._down)
        return high.highest_at if self._up >= self._down else low.lowest_at


def _hops_in(time_s: float) -> int:
    return round(time_s / HOP_S)
