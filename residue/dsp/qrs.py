"""Finds the beats in an ECG as it comes, without ever looking ahead.

Source: after Pan and Tompkins, IEEE Trans Biomed Eng 32 (1985) 230-236: band-pass, slope, square, moving sum, two
adaptive levels, refractory time, T waves recognised by their slope, search back. Ours differs: clicks and hum are
removed first, and strength is judged in two bands (residue.dsp.qrs_features); the stream may have any unit; the levels
fall again after an artefact; an electrode that slips gives no beat; and beats are given only while there is a heart:
they must be stronger than the signal between them, and look alike as far as the noise allows (residue.dsp.heartlike).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from operator import attrgetter
from statistics import median
from typing import NamedTuple, cast

from residue.dsp.exact import Floats
from residue.dsp.heartlike import Heartlike
from residue.dsp.likeness import around_mean
from residue.dsp.qrs_features import HOP_S, SLOPE_S, BeatPace, Features, Hop

SURE = BeatPace(sum_s=0.15, fallen=0.7, late_s=0.25, unrest=1.0)
QUICK = BeatPace(sum_s=0.06, fallen=0.85, late_s=0.13, unrest=1.6)
"""A short sum tells beats from T waves and noise less well, but ends sooner. Our choice."""
_JUMPS, _STAYS = 0.6, 0.35
"""If the first share of the whole deflection comes within 3 ms, and the second share of that stays, an electrode
slipped: a QRS complex takes longer, and goes back even where a gap in the recording hid its rise. The second is our
choice.
"""
_STAYS_FOR_S = 0.05
_JUMPS_WITHIN_S = 0.05
"""The jump may be up to so long before the moving sum begins."""
_LEARNING_S = 0.15
"""Within this time after the start no beat is found."""
_REFRACTORY_S = 0.2
_T_WAVE_S, _T_WAVE_SLOPE = 0.36, 0.65
"""A peak so soon after a beat, with less than this share of the beat's slope, is a T wave. The share is our choice."""
_SEARCH_BACK = 1.66
_FORGET_S = 4.0
_COMPARED_S = 0.15
"""So much of the ECG before and after the R wave is compared."""
_BETWEEN_S = 2.0
"""Over so long the strength between beats is measured."""
_LEAST = 1e-9
"""Below this strength there is no ECG, whatever its unit."""
_FAINT = 1e-4
"""Below this share of the largest recent deflection a strength is rounding, not a heart."""
_HIDDEN = 1e-2
"""A signal below this share of the strongest recent one is what filters still give after an electrode slipped, not a
heart.
"""
_OTHER_WAY = 2.0
"""A beat that goes so many times as far against the usual sign is placed there: an extra beat of the ventricles was put
onto the wave after it, up to 0.2 s late. Our choice; 1.5 is too little in noise.
"""
_HUMMED = 0.05
"""A strength below this share of the usual hum is what filters leave of hum that is clipped, is off its frequency by
half a hertz, or swells as somebody walks by: up to 0.035. Of an R wave as high as the hum it is 2.5. Our choice.
"""
_ROUGH = 10.0
"""What was removed as clicks counts so many times as much as signal between beats. A converter's last digit that comes
and goes leaves pulses between which there is nothing, and would stand out like beats. Our choice.
"""
_SLOW, _UNSURE, _SPIKY = 0.5, 0.8, 1.6
"""The strength of a QRS complex is two to six times its height, of movement less, of a cable that swings 0.1. Below the
first there is no beat, and trust grows from the second to the third. Our choice.
"""
_TOO_EARLY_S, _UNHURRIED_S = 0.3, 0.45
"""No ventricle beats again so soon where its usual interval is longer than the second: two hearts are heard, or noise.
In 30 min of three irregular hearts it is found twice, in two minutes of two hearts nineteen times. Our choice.
"""
_EARLY_OF, _OF_TWO = 12, 0.4
"""So many beats are then trusted no more than that. Our choice."""
_BARELY_SURE = 0.01
"""The trust in a beat that is one in spite of all doubts."""
_LEVEL, _LEAST_LEVEL = 0.4, 0.2
"""Two levels between noise (0) and beats (1): a peak above the first is a candidate, a clear peak already above the
second.
"""
_CLEAR = 3.0
"""A peak is clear if it is so many times stronger than the signal between beats."""
_WEAK = 0.9
"""A peak that is not clear, and below this share of the beats, must look like one of them. Our choice."""
_RATE = 0.125
"""The share by which levels follow each peak."""
_FIRST = 4
"""During the first so many beats the level is the highest of them, so that T waves at the start stay below."""
_MOST_AT_ONCE = 3.0
"""The most by which a single peak counts above the level of the signal: an artefact does not count in full."""
_FIRST_INTERVAL_S = 1.0
_REMEMBERED_S = 5.0
_Field = Callable[[Hop], float]
_JUMP, _TOP, _BOTTOM, _STRENGTH, _HUM, _ROUGHNESS = (
    cast(_Field, attrgetter(name)) for name in ("jump", "top", "bottom", "strength", "hum", "rough")
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Beat:
    """A beat, in values of the stream.

    Where the R wave is, where it became known, and the distance from the R wave before (or 0). sure: how sure it is
    that this is a heart, 0 to 1.
    """

    at: int
    known_at: int
    interval: int
    sure: float


class _Peak(NamedTuple):
    """The top of a rise of the moving sum."""

    strength: float
    slope: float
    hop: int


class BeatFinder:
    """Takes an ECG at rate_hz piece by piece and gives the beats, each as soon as it is sure."""

    def __init__(self, rate_hz: int, pace: BeatPace = SURE) -> None:
        self._features, self._decide = Features(rate_hz, pace), _Decisions(pace)
        self._hop = round(HOP_S * rate_hz)
        self._seen = self._last_at = 0

    def __call__(self, ecg: Floats) -> list[Beat]:
        """The beats that became known within these values."""
        beats = []
        for hop in self._features(ecg):
            self._seen += self._hop
            placed = self._decide(hop)
            if placed:
                at, sure = placed[0] - self._features.delay, placed[1]
                if sure > 0.0:
                    beats.append(
                        Beat(
                            at=at,
                            known_at=self._seen - 1,
                            interval=at - self._last_at if self._last_at else 0,
                            sure=sure,
                        )
                    )
                    self._last_at = at
        return beats


class _Decisions:
    """Decides which rises of the moving sum are beats."""

    def __init__(self, pace: BeatPace) -> None:
        self._pace = pace
        self._hops: deque[Hop] = deque(maxlen=_hops_in(_REMEMBERED_S))
        self._now = 0
        self._signal = self._noise = 0.0
        self._rise: _Peak | None = None
        self._valley = 0.0
        self._passed_over: _Peak | None = None
        self._last_beat = _Peak(0.0, 0.0, 0)
        self._forgot = 0
        self._intervals: deque[int] = deque([_hops_in(_FIRST_INTERVAL_S)], maxlen=8)
        self._up = self._down = 0.0
        self._heart, self._early = Heartlike(HOP_S), deque[bool](maxlen=_EARLY_OF)
        self._found = 0

    def __call__(self, hop: Hop) -> tuple[int, float] | None:
        """Where a beat is, in values of the stream, and how sure it is, if this hop has completed one."""
        self._hops.append(hop)
        self._now += 1
        if self._now <= _hops_in(_LEARNING_S):
            self._learn(hop)
            return None
        peak = self._finished_peak(hop)
        beat = self._classify(peak) if peak and not self._is_step(peak) else None
        beat = beat or self._search_back()
        if beat:
            return self._place(beat)
        self._forget()
        return None

    def _learn(self, hop: Hop) -> None:
        self._signal = max(self._signal, hop.strength / 2)
        self._noise += hop.strength / (2 * _hops_in(_LEARNING_S))

    def _finished_peak(self, hop: Hop) -> _Peak | None:
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
        if hop.strength > self._pace.fallen * self._rise.strength and self._now - self._rise.hop < _hops_in(
            self._pace.sum_s
        ):
            return None
        peak, self._rise, self._valley = self._rise, None, hop.strength
        return peak

    def _is_step(self, peak: _Peak) -> bool:
        """Whether the level jumps there: it does when an electrode slips, while a beat takes longer."""
        hops = list(self._hops)
        end = len(hops) + peak.hop - self._now
        near = hops[max(0, end - _hops_in(self._pace.sum_s + _JUMPS_WITHIN_S)) : end]
        jump = max(map(_JUMP, near))
        usual = sorted(map(_JUMP, hops[-_hops_in(_BETWEEN_S) :]))
        height = max(map(_TOP, near)) - min(map(_BOTTOM, near))
        stays = min(abs(_middle(hop) - _middle(near[0])) for hop in hops[-_hops_in(_STAYS_FOR_S) :])
        return jump - usual[len(usual) * 9 // 10] > _JUMPS * height and stays > _STAYS * jump

    def _classify(self, peak: _Peak) -> _Peak | None:
        since = peak.hop - self._last_beat.hop
        if since < _hops_in(_REFRACTORY_S):
            return None
        above = self._signal - self._noise
        level = min(self._noise + _LEVEL * above, max(self._noise + _LEAST_LEVEL * above, _CLEAR * self._between()))
        is_t_wave = self._is_t_wave(peak, since)
        if peak.strength > level and not is_t_wave and self._is_strong_or_alike(peak):
            if self._found < _FIRST:
                self._signal = max(self._signal, peak.strength)
            else:
                self._signal += _RATE * (min(peak.strength, _MOST_AT_ONCE * self._signal) - self._signal)
            self._found += 1
            return peak
        self._noise += _RATE * (min(peak.strength, self._signal) - self._noise)
        highest = self._passed_over.strength if self._passed_over else 0.0
        if peak.strength > max(level / 2, highest) and not is_t_wave:
            self._passed_over = peak
        return None

    def _is_t_wave(self, peak: _Peak, since: int) -> bool:
        return since < _hops_in(_T_WAVE_S) and peak.slope < _T_WAVE_SLOPE * self._last_beat.slope

    def _is_strong_or_alike(self, peak: _Peak) -> bool:
        """Whether a peak is strong, or looks like the beats: a weak one may be noise between beats."""
        if peak.strength >= _WEAK * self._signal or peak.strength >= _CLEAR * self._between():
            return True
        return self._heart.knows(self._look(peak)[0])

    def _search_back(self) -> _Peak | None:
        """The best peak that was not taken, where a beat is overdue."""
        if self._passed_over is None or self._now - self._last_beat.hop <= _SEARCH_BACK * median(self._intervals):
            return None
        if not self._is_strong_or_alike(self._passed_over):
            self._passed_over = None
            return None
        self._signal += 0.25 * (self._passed_over.strength - self._signal)
        return self._passed_over

    def _forget(self) -> None:
        """Halves both levels at intervals while no beat comes: after an artefact they are too high."""
        if self._now - max(self._last_beat.hop, self._forgot) > _hops_in(_FORGET_S):
            self._signal /= 2
            self._noise /= 2
            self._forgot = self._now

    def _place(self, beat: _Peak) -> tuple[int, float]:
        """Where its largest deflection is, of the usual sign if it has one, and how sure it is that this is a beat."""
        interval_s = (beat.hop - self._last_beat.hop) * HOP_S
        shape, at, up, down = self._look(beat)
        share = _RATE if self._last_beat.hop else 1.0
        self._up += share * (up - self._up)
        self._down += share * (down - self._down)
        faint = _FAINT * max(max(map(_TOP, self._hops)), -min(map(_BOTTOM, self._hops)))
        contrast = beat.strength / max(self._between(), _ROUGH * self._of_late(_ROUGHNESS), _LEAST) / self._pace.unrest
        hidden = _HIDDEN * max(map(_STRENGTH, self._hops))
        hummed = _HUMMED * self._of_late(_HUM)
        spiky = beat.strength / max(up, down, _LEAST)
        is_beat = spiky > _SLOW and beat.strength > max(faint, hidden, hummed)
        sure = self._heart(shape, contrast, interval_s) if is_beat else 0.0
        if sure > 0.0 and self._last_beat.hop:
            self._intervals.append(min(beat.hop - self._last_beat.hop, _hops_in(_FORGET_S)))
        self._last_beat, self._passed_over = beat, None
        self._early.append(interval_s < _TOO_EARLY_S and median(self._intervals) > _hops_in(_UNHURRIED_S))
        trust = _OF_TWO if any(self._early) else 1.0
        return at, sure * max(min(trust, (spiky - _UNSURE) / (_SPIKY - _UNSURE)), _BARELY_SURE)

    def _between(self) -> float:
        """The strength of the signal between beats."""
        return self._of_late(_STRENGTH)

    def _of_late(self, field: _Field) -> float:
        """The usual value of late: that of most hops, which lie between beats."""
        return median(map(field, list(self._hops)[-_hops_in(_BETWEEN_S) :]))

    def _look(self, peak: _Peak) -> tuple[list[float], int, float, float]:
        """The shape around the largest deflection, of the usual sign if there is one, its place, and the range."""
        hops = list(self._hops)
        end = len(hops) + peak.hop - self._now
        candidates = range(max(0, end - _hops_in(self._pace.sum_s + SLOPE_S)), end)
        high = max(candidates, key=lambda index: hops[index].highest)
        low = min(candidates, key=lambda index: hops[index].lowest)
        up, down = hops[high].highest, -hops[low].lowest
        upright = self._up + _RATE * (up - self._up) >= self._down + _RATE * (down - self._down)
        if (down if upright else up) > _OTHER_WAY * (up if upright else down):
            upright = not upright
        middle, reach = high if upright else low, _hops_in(_COMPARED_S)
        shape = around_mean([hop.shape for hop in hops[max(0, middle - reach) : middle + reach]])
        return shape, hops[middle].highest_at if upright else hops[middle].lowest_at, up, down


def _middle(hop: Hop) -> float:
    return (hop.top + hop.bottom) / 2


@cache
def _hops_in(time_s: float) -> int:
    return round(time_s / HOP_S)
