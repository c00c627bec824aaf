"""Finds the beats in a noisy pulse wave as it comes, looking half a second ahead before it tells one.

A beat is a peak of the band-passed wave (residue.dsp.pulse_view). Where the sensor drifts it is a peak of how the wave
bends, as in the acceleration plethysmogram (Elgendi et al., PLoS ONE 8 (2013) e76585), where more speaks for that.
Whether there is a heart at all is judged over several peaks: they look alike, the wave repeats itself, and its power
lies where a pulse has it (the relative power of Elgendi, Bioengineering 3 (2016) 21). All figures are our choice, from
the recordings and noises of tests/bench/pulse.py.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from residue.dsp import filters
from residue.dsp.exact import Floats
from residue.dsp.filters import FromFirst, SosFilter
from residue.dsp.moved import ROUNDING
from residue.dsp.pulse_view import HOP_S, JUDGED_HOPS, LEAST_APART_HOPS, LONG, SHORT, Peak, View
from residue.dsp.sliding import SlidingMean, sliding_maximum

PLACED_AFTER_S = 0.46
"""A peak is told so long after its place."""
_MAINS_HZ = (50.0, 60.0)
_BAND_HZ = (0.7, 3.5)
"""The fundamental of a pulse and its second harmonic, where noise hides it least."""
_SHAPE_HZ, _SHAPE_REACH_HOPS, _SHAPE_EVERY = (1.0, 8.0), 40, 2
_BEND_HOPS, _BEND_OF_1_HZ = 5, 0.0979
"""How the wave bends is its second difference over so many hops; that of a sine of 1 Hz is so high."""
_FAINT, _FAINT_S, _LEAST = 1e-3, 2.0, 1e-9
"""What is below this share of all that the wave did of late is what filters leave of hum and steps."""
_POWER_HOPS, _POWER_OF = 100, 16
"""The power is that of so many pieces of so many hops."""
_DRIFT_HZ, _DRIFTS = (0.1, 0.5), 1.2
"""Where there is so many times more power below the pulse than in its band, the sensor drifts, as one that is off."""
_BENDS_FIRST = 0.2
"""In a drift the peaks of how it bends are taken, unless so much more speaks for those of the wave."""
_FOR_WITHIN, _MOST_WITHIN = 1.5, 0.7
"""The weight of the share of power in the band of the pulse: of pulses it is 0.5 to 1, of white noise 0.4."""
_FEW, _FEWER = 0.8, 1.2
"""So much more must speak for few comparisons, the first by their number and the second by its square: chance does more
with few.
"""
_BEGINS, _STAYS = 1.25, 1.1
"""What must speak for a heart, and for one that was found and is hidden in part. White noise reaches 1.1 in a tenth of
the time, and 1.24 in a thousandth.
"""
_WAVE_IN_DRIFT, _BENT_IN_DRIFT = (1.25, 1.05), (1.1, 0.9)
"""The same in a drift, for peaks of the wave and of how it bends. A walk at random reaches 1.27 and 0.95."""
_SINE_TO_PULSE, _SHAKEN_TO_PULSE = (1.04, 1.1), (4.8, 3.8)
"""How often a wave goes up and down in an interval, by the power of its slopes: a sine, as of a cable that swings, has
1; pulses of people 1.15 to 3.8; a sensor that is shaken by steps 4.6. Trust is 0 at the first figure of each, and whole
at the second, as below.
"""
_WAVE_OF_S = 4.0
_MOVED_TO_USUAL = (4.0, 2.0)
"""A peak that is so many times as high as usual is movement. Our choice."""
_OF_SEEN = 0.4
"""The most trust in a beat for which only speaks that the heart that was found was seen of late. Our choice."""
_DRIFT_TO_PULSE_S = (1.7, 1.2)
"""Slower beats in a drift are the drift itself: it reaches up to the pulse. Our choice."""


class PulsePeak(NamedTuple):
    """Where a beat is, in values of the stream from 0, and how sure it is that a pulse made it, 0 to 1."""

    at: int
    sure: float


class PulsePeakFinder:
    """Takes a pulse wave at rate_hz piece by piece and gives the beats, each PLACED_AFTER_S after its place."""

    def __init__(self, rate_hz: int) -> None:
        self._centre, self._hop = FromFirst(), round(HOP_S * rate_hz)
        self._means = [SlidingMean(round(rate_hz / mains_hz)) for mains_hz in _MAINS_HZ]
        self._bands = [SosFilter(filters.bandpass(hz, rate_hz)) for hz in (_BAND_HZ, _SHAPE_HZ, _DRIFT_HZ)]
        self._highest, self._deepest, self._level = (sliding_maximum(round(_FAINT_S * rate_hz)) for _ in range(3))
        self._seen = 0
        self._bend, self._power, self._turning = _Bend(), _Power(), _Turning()
        self._wave, self._bent = View(self._hop), View(self._hop, _BEND_HOPS)
        self._shapes: deque[float] = deque(maxlen=JUDGED_HOPS + _SHAPE_REACH_HOPS + 1)
        self._last_hop, self._beats = -LEAST_APART_HOPS, False

    def __call__(self, wave: Floats) -> list[PulsePeak]:
        """The beats that became known within these values."""
        quiet = centred = self._centre(wave)
        for mean in self._means:
            quiet = mean(quiet)
        spread = self._highest(centred) + self._deepest(-centred)
        faint = np.maximum(_FAINT * spread, ROUNDING * self._level(np.abs(wave)))
        at_hops = slice(-self._seen % self._hop, None, self._hop)
        first_hop = -(-self._seen // self._hop)
        self._seen += len(wave)
        values = (faint, *(band(quiet) for band in self._bands))
        beats = []
        for hop, (least, height, shape, below) in enumerate(
            zip(*(one[at_hops].tolist() for one in values), strict=True), first_hop
        ):
            self._shapes.append(shape)
            self._turning(shape)
            self._power(below=below, height=height, shape=shape)
            peaks = self._judged(hop, height, max(least, _LEAST))
            beat = self._told(peaks) if peaks else None
            if beat:
                beats.append(beat)
        return beats

    def _judged(self, hop: int, height: float, least: float) -> list[tuple[View, Peak]]:
        """The peaks that are judged at this hop, in either view, compared with those before them."""
        found = []
        for view, seen in ((self._wave, height), (self._bent, self._bend(height))):
            peak = view(hop, seen, least)
            if peak:
                view.compare(list(self._shapes)[: 2 * _SHAPE_REACH_HOPS : _SHAPE_EVERY])
                found.append((view, peak))
        return found

    def _told(self, peaks: list[tuple[View, Peak]]) -> PulsePeak | None:
        """The beat among them, if one is a beat of a heart."""
        drifts = self._power.drifts
        view = self._wave
        if drifts and _in_drift(self._bent) > _in_drift(self._wave) - _BENDS_FIRST:
            view = self._bent
        peak = next((peak for its, peak in peaks if its is view), None)
        if peak is None or peak.hop - self._last_hop < LEAST_APART_HOPS:
            return None
        self._last_hop = peak.hop
        if drifts:
            begins, stays = _BENT_IN_DRIFT if view is self._bent else _WAVE_IN_DRIFT
            speaks, of = _in_drift(view), min(view.compared, SHORT)
        else:
            begins, stays = _BEGINS, _STAYS
            speaks, of = view.alike(LONG) + view.again + self._power.within, view.compared
        few = _FEW / max(of, 1) + _FEWER / max(of * of, 1)
        self._beats = of > 0 and speaks >= (stays if self._beats else begins) + few
        if not view.is_high_or_alike:
            return None
        sure = min(view.alike(), 1.0) * self._pulselike(view)
        if self._beats:
            view.learn()
            return PulsePeak(peak.at, sure)
        seen = self._wave.beats(peak.hop) or self._bent.beats(peak.hop)
        return PulsePeak(peak.at, min(sure, _OF_SEEN)) if seen else None

    def _pulselike(self, view: View) -> float:
        """The trust in its peak, 0 to 1: whether the wave goes up and down as a pulse does, and as far."""
        interval_s = view.interval_s
        often = self._turning.times_a_second * interval_s
        trusts = [_along(_SINE_TO_PULSE, often), _along(_SHAKEN_TO_PULSE, often), _along(_MOVED_TO_USUAL, view.high)]
        if self._power.drifts:
            trusts.append(_along(_DRIFT_TO_PULSE_S, interval_s))
        return min(trusts)


def _in_drift(view: View) -> float:
    """What speaks for a heart in a drift: pieces of a drift look alike by their height, less so by their slopes."""
    return view.alike() + view.slopes_alike + view.again


def _along(edges: tuple[float, float], value: float) -> float:
    """0 at the first edge and beyond, 1 at the second and beyond, and a straight line between them."""
    nought, one = edges
    return min(max((value - nought) / (one - nought), 0.0), 1.0)


class _Bend:
    """How a wave bends down, _BEND_HOPS before the hop that comes, relative to a sine of 1 Hz."""

    def __init__(self) -> None:
        self._past: deque[float] = deque([0.0] * (2 * _BEND_HOPS + 1), maxlen=2 * _BEND_HOPS + 1)

    def __call__(self, height: float) -> float:
        self._past.append(height)
        return (2.0 * self._past[_BEND_HOPS] - self._past[0] - height) / _BEND_OF_1_HZ


class _Power:
    """Takes what the wave does below the pulse, in its band and in its shape, hop by hop; knows it of the last 16 s."""

    def __init__(self) -> None:
        self._seconds: deque[list[float]] = deque(maxlen=_POWER_OF)
        self._hops = 0

    def __call__(self, *, below: float, height: float, shape: float) -> None:
        if self._hops % _POWER_HOPS == 0:
            self._seconds.append([0.0, 0.0, 0.0])
        self._hops += 1
        second = self._seconds[-1]
        second[0] += below * below
        second[1] += height * height
        second[2] += shape * shape

    def _sums(self) -> Iterator[float]:
        return (math.fsum(powers) for powers in zip(*self._seconds, strict=True))

    @property
    def drifts(self) -> bool:
        """Whether the sensor drifts."""
        below, band, _ = self._sums()
        return below > _DRIFTS * band

    @property
    def within(self) -> float:
        """What speaks for a heart in the power within the band of the pulse, relative to that all around."""
        below, band, shape = self._sums()
        return _FOR_WITHIN * min(band / max(below + shape, _LEAST * _LEAST), _MOST_WITHIN)


class _Turning:
    """How many times a second a wave goes up and down, by the power of its slopes."""

    def __init__(self) -> None:
        self._before = self._power = self._slopes = 0.0

    def __call__(self, height: float) -> None:
        share, slope = HOP_S / _WAVE_OF_S, (height - self._before) / HOP_S
        self._before = height
        self._power += share * (height * height - self._power)
        self._slopes += share * (slope * slope - self._slopes)

    @property
    def times_a_second(self) -> float:
        """0 before anything is known."""
        return math.sqrt(self._slopes / max(self._power, _LEAST * _LEAST)) / math.tau
