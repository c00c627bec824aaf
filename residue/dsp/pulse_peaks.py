"""Finds the beats in a noisy pulse wave as it comes, looking half a second ahead before it tells one.

A beat is a peak of the band-passed wave that is the highest for most of a usual interval before and after, as in
automatic peak detection over windows of one scale (Scholkmann, Boss and Wolf, Algorithms 5 (2012) 588-603); the scale
follows the heart. Whether there is a heart at all is judged over several peaks: they look alike and come regularly, or
look very much alike. All figures are our choice, from the recordings and noises of tests/bench/pulse.py.
"""

from __future__ import annotations

import itertools
import math
from collections import deque
from collections.abc import Sequence
from statistics import median
from typing import NamedTuple

from residue.dsp import filters
from residue.dsp.exact import Floats
from residue.dsp.filters import FromFirst, SosFilter
from residue.dsp.likeness import around_mean, correlation
from residue.dsp.sliding import SlidingMean, sliding_maximum

PLACED_AFTER_S = 0.46
"""A peak is told so long after its place."""
_HOP_S, _JUDGED_HOPS = 0.01, 45
_MAINS_HZ = (50.0, 60.0)
_BAND_HZ = (0.7, 3.5)
"""The fundamental of a pulse and its second harmonic, where noise hides it least."""
_SHAPE_HZ, _SHAPE_REACH_HOPS, _SHAPE_EVERY = (1.0, 8.0), 40, 2
_REACH, _LEAST_REACH_HOPS = 0.6, 22
"""A beat is the highest peak within this share of the usual interval, before and after."""
_FIRST_INTERVAL_HOPS = 80
_PERIOD_EVERY, _PERIOD_OF, _PERIOD_UPDATES, _PERIOD_STEADY = 4, 150, 12, 12
_PERIODS = range(6, 41)
_PERIOD_SHARE = 0.85
"""The usual interval is the shortest after which the wave of the last 6 s is nearly as like itself as after any."""
_SHARE, _MOST_AT_ONCE, _FORGET = 0.3, 3.0, 4.0
"""A peak is no lower than this share of the usual height, unless none came for so many intervals."""
_USUAL_OF, _REGULAR_OF = 8, 7
_FAINT, _FAINT_S, _LEAST = 1e-3, 2.0, 1e-9
"""What is below this share of all that the wave did of late is what filters leave of hum and steps."""
_COMPARED_WITH, _LIKENESS_OF = 6, 8
_NEAR = 0.2
"""An interval is regular that is so near to the usual one."""
_VERY_ALIKE = 0.66
_REGULAR, _ALIKE, _FOR_REGULAR = 0.55, 0.64, 0.3
"""Regular peaks must be alike to the second figure less the third times how regular they are."""
_STILL_ALIKE = 0.25
"""White noise seldom stays above it; a heart that was found stays found while it is hidden in part."""
_DRIFT_HZ, _DRIFT_OF_S, _DRIFTS = (0.1, 0.5), 8.0, 1.2
"""Where there is so many times more power below the pulse than in its band, the sensor drifts, as one that is off.
Pieces of a drift at random look alike at 0.45, and their slopes at 0.23.
"""
_IN_DRIFT_BEGINS, _IN_DRIFT_STAYS = (0.95, 0.7), (0.75, 0.58)
"""How alike, and how alike in slope, with 0.3 times how regular they are, peaks must be in a drift; one of the two."""
_SLOPES_ALIKE = 0.5
"""A drift never has slopes as alike."""
_SINE_TO_PULSE, _SHAKEN_TO_PULSE = (1.04, 1.1), (4.8, 3.8)
"""How often a wave goes up and down in an interval, by the power of its slopes: a sine, as of a cable that swings, has
1; pulses of people 1.15 to 3.8; a sensor that is shaken by steps 4.6. Trust is 0 at the first figure of each, and whole
at the second, as below.
"""
_WAVE_OF_S = 4.0
_MOVED_TO_USUAL = (4.0, 2.0)
"""A peak that is so many times as high as usual is movement. Our choice."""
_DRIFT_TO_PULSE_S = (1.7, 1.2)
"""Slower beats in a drift are the drift itself: it reaches up to the pulse. Our choice."""
_AT_ONCE = 0.9
"""Where the second peak looks so much like the first, no third is waited for."""


class PulsePeak(NamedTuple):
    """Where a beat is, in values of the stream from 0, and how sure it is that a pulse made it, 0 to 1."""

    at: int
    sure: float


class _Peak(NamedTuple):
    hop: int
    at: int
    height: float


class PulsePeakFinder:
    """Takes a pulse wave at rate_hz piece by piece and gives the beats, each PLACED_AFTER_S after its place."""

    def __init__(self, rate_hz: int) -> None:
        self._centre, self._hop = FromFirst(), round(_HOP_S * rate_hz)
        self._means = [SlidingMean(round(rate_hz / mains_hz)) for mains_hz in _MAINS_HZ]
        self._band, self._shape = (SosFilter(filters.bandpass(band_hz, rate_hz)) for band_hz in (_BAND_HZ, _SHAPE_HZ))
        self._below, self._drift = SosFilter(filters.bandpass(_DRIFT_HZ, rate_hz)), _Drift()
        self._highest, self._deepest = (sliding_maximum(round(_FAINT_S * rate_hz)) for _ in range(2))
        self._seen = 0
        self._select, self._heart, self._pulselike = _Select(self._hop), _Heart(), _Pulselike()
        self._shapes: deque[float] = deque(maxlen=_JUDGED_HOPS + _SHAPE_REACH_HOPS + 1)
        self._chosen: deque[_Peak] = deque()

    def __call__(self, wave: Floats) -> list[PulsePeak]:
        """The beats that became known within these values."""
        quiet = centred = self._centre(wave)
        for mean in self._means:
            quiet = mean(quiet)
        spread = self._highest(centred) + self._deepest(-centred)
        at_hops = slice(-self._seen % self._hop, None, self._hop)
        first_hop = -(-self._seen // self._hop)
        self._seen += len(wave)
        values = (self._band(quiet), self._shape(quiet), spread, self._below(quiet))
        beats = []
        for hop, (height, shape, faint, below) in enumerate(
            zip(*(one[at_hops].tolist() for one in values), strict=True), first_hop
        ):
            self._shapes.append(shape)
            drifts = self._drift(below, height)
            self._pulselike.hop(shape)
            self._chosen.extend(self._select(hop, height, max(_FAINT * faint, _LEAST)))
            if self._chosen and hop - self._chosen[0].hop == _JUDGED_HOPS:
                peak = self._chosen.popleft()
                around = list(self._shapes)[: 2 * _SHAPE_REACH_HOPS : _SHAPE_EVERY]
                sure = self._heart(around, peak.hop, drifts=drifts)
                pulselike = self._pulselike.peak(peak, drifts=drifts)
                if sure > 0.0:
                    beats.append(PulsePeak(peak.at, sure * pulselike))
        return beats


class _Select:
    """Takes the height of the band-passed wave at each hop and gives the peaks that are the highest around."""

    def __init__(self, hop: int) -> None:
        self._hop = hop
        self._past = (0.0, 0.0)
        self._waiting: deque[_Peak] = deque()
        self._period = _Period()
        self._heights: deque[float] = deque(maxlen=_USUAL_OF)
        self._last: int | None = None

    def __call__(self, hop: int, height: float, least: float) -> list[_Peak]:
        """least: what is lower is no peak."""
        usual = self._period(hop, height)
        before, top = self._past
        self._past = (top, height)
        if before < top >= height and top > least:
            aside = 0.5 * (before - height) / (before - 2.0 * top + height)
            self._waiting.append(_Peak(hop - 1, round((hop - 1 + aside) * self._hop), top))
        found = []
        while self._waiting:
            peak = self._waiting[0]
            reach = min(max(int(_REACH * usual), _LEAST_REACH_HOPS), _JUDGED_HOPS - 1)
            since = math.inf if self._last is None else peak.hop - self._last
            hidden = since < reach or any(
                other.height > peak.height for other in self._waiting if other.hop - peak.hop < reach
            )
            if not hidden and hop - peak.hop < reach:
                break
            self._waiting.popleft()
            if not hidden and self._is_high(peak, since / usual):
                self._take(peak)
                found.append(peak)
        return found

    def _is_high(self, peak: _Peak, intervals_since: float) -> bool:
        return not self._heights or intervals_since >= _FORGET or peak.height >= _SHARE * median(self._heights)

    def _take(self, peak: _Peak) -> None:
        most = _MOST_AT_ONCE * median(self._heights) if self._heights else peak.height
        self._heights.append(min(peak.height, most))
        self._last = peak.hop


class _Period:
    """Takes the band-passed wave hop by hop and gives the usual interval from beat to beat, in hops."""

    def __init__(self) -> None:
        self._wave: deque[float] = deque(maxlen=_PERIOD_OF)
        self._found: deque[int] = deque([_FIRST_INTERVAL_HOPS], maxlen=_PERIOD_STEADY)

    def __call__(self, hop: int, height: float) -> float:
        if hop % _PERIOD_EVERY == 0:
            self._wave.append(height)
            if hop % (_PERIOD_EVERY * _PERIOD_UPDATES) == 0 and len(self._wave) > 2 * _PERIODS[-1]:
                self._found.append(_PERIOD_EVERY * self._shortest())
        return median(self._found)

    def _shortest(self) -> int:
        wave = list(self._wave)
        likeness = [
            math.fsum(a * b for a, b in zip(wave, wave[period:], strict=False)) / (len(wave) - period)
            for period in _PERIODS
        ]
        most = max(likeness)
        enough = min(_PERIOD_SHARE * most, most)
        return next(
            period
            for period, before, here, after in zip(
                _PERIODS, [-math.inf, *likeness], likeness, [*likeness[1:], -math.inf], strict=False
            )
            if here >= enough and here >= before and here >= after
        )


class _Drift:
    """Takes what the wave does below the pulse and in its band, hop by hop, and tells whether the sensor drifts."""

    def __init__(self) -> None:
        self._below = self._within = 0.0

    def __call__(self, below: float, within: float) -> bool:
        share = _HOP_S / _DRIFT_OF_S
        self._below += share * (below * below - self._below)
        self._within += share * (within * within - self._within)
        return self._below > _DRIFTS * self._within


class _Pulselike:
    """The trust in peaks, 0 to 1: whether the wave goes up and down as a pulse does, as far, and not with a drift."""

    def __init__(self) -> None:
        self._before = self._power = self._slopes = 0.0
        self._peaks: deque[_Peak] = deque(maxlen=_USUAL_OF)

    def hop(self, height: float) -> None:
        """Takes the wave hop by hop."""
        share, slope = _HOP_S / _WAVE_OF_S, (height - self._before) / _HOP_S
        self._before = height
        self._power += share * (height * height - self._power)
        self._slopes += share * (slope * slope - self._slopes)

    def peak(self, peak: _Peak, *, drifts: bool) -> float:
        """Takes the next peak in time, and gives the trust in it."""
        self._peaks.append(peak)
        if len(self._peaks) < 2:
            return 1.0
        interval_s = _HOP_S * median(later.hop - earlier.hop for earlier, later in itertools.pairwise(self._peaks))
        often = math.sqrt(self._slopes / max(self._power, _LEAST * _LEAST)) * interval_s / math.tau
        high = peak.height / median(one.height for one in self._peaks)
        trusts = [_along(_SINE_TO_PULSE, often), _along(_SHAKEN_TO_PULSE, often), _along(_MOVED_TO_USUAL, high)]
        if drifts:
            trusts.append(_along(_DRIFT_TO_PULSE_S, interval_s))
        return min(trusts)


def _along(edges: tuple[float, float], value: float) -> float:
    """0 at the first edge and beyond, 1 at the second and beyond, and a straight line between them."""
    nought, one = edges
    return min(max((value - nought) / (one - nought), 0.0), 1.0)


class _Alike:
    """The mean correlation of the last few shapes with those before them."""

    def __init__(self) -> None:
        self._shapes: deque[Sequence[float]] = deque(maxlen=_COMPARED_WITH)
        self._likeness: deque[float] = deque(maxlen=_LIKENESS_OF)
        self.mean = 0.0

    def __call__(self, shape: Sequence[float]) -> None:
        """Takes the next shape in time."""
        if self._shapes:
            alike = math.fsum(correlation(shape, seen) for seen in self._shapes)
            self._likeness.append(alike / len(self._shapes))
            self.mean = math.fsum(self._likeness) / len(self._likeness)
        self._shapes.append(shape)

    def __len__(self) -> int:
        """The number of shapes that were compared."""
        return len(self._likeness)


class _Heart:
    """Whether peaks are the beats of a heart: the mean correlation of their shapes, and how regularly they come."""

    def __init__(self) -> None:
        self._alike, self._slopes = _Alike(), _Alike()
        self._hops: deque[int] = deque(maxlen=_REGULAR_OF + 1)
        self._beats = False

    def __call__(self, shape: Sequence[float], hop: int, *, drifts: bool) -> float:
        """How sure the next peak in time is a beat, 0 if it is none. drifts: whether the sensor drifts there."""
        shape = around_mean(shape)
        self._alike(shape)
        self._slopes([later - earlier for earlier, later in itertools.pairwise(shape)])
        self._hops.append(hop)
        likeness = self._alike.mean
        if len(self._alike) < 2 and likeness < _AT_ONCE:
            return 0.0
        self._beats = self._in_drift() if drifts else self._in_noise()
        return min(likeness, 1.0) if self._beats else 0.0

    def _in_noise(self) -> bool:
        regular, likeness = self._regular(), self._alike.mean
        begins = regular >= _REGULAR and likeness >= _ALIKE - _FOR_REGULAR * regular
        return begins or likeness >= (_STILL_ALIKE if self._beats else _VERY_ALIKE)

    def _in_drift(self) -> bool:
        regular = self._regular()
        alike, slopes = _IN_DRIFT_STAYS if self._beats else _IN_DRIFT_BEGINS
        more = _FOR_REGULAR * regular
        is_heart = self._alike.mean + more >= alike or self._slopes.mean + more >= slopes
        return (is_heart and (self._beats or regular >= _REGULAR)) or self._slopes.mean >= _SLOPES_ALIKE

    def _regular(self) -> float:
        """The share of the last intervals that are near to the usual one; 0 before there are three."""
        hops = list(self._hops)
        intervals = [later - earlier for earlier, later in itertools.pairwise(hops)]
        if len(intervals) < 3:
            return 0.0
        usual = median(intervals)
        return len([one for one in intervals if abs(one - usual) < _NEAR * usual]) / len(intervals)
