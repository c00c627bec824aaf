"""Finds where breathing turns, in the wave of a belt or a thermistor as it comes, without ever looking ahead.

A turn counts when the wave has come back from it by a share of the usual depth, so drift and the small waves of the
heart give no breaths. Source: the amplitude test of Khodadad et al., Physiol Meas 39 (2018) 094001, who compare with
the whole recording (a share of 0.3 of the mean distance from top to bottom). We compare with the last breaths only,
which makes it causal.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from statistics import median

import numpy as np

from residue.dsp import filters
from residue.dsp.exact import Floats
from residue.dsp.filters import FromFirst, SosFilter
from residue.dsp.turns import TurningPoint, Turns

_SHARE = 0.3
"""A share of the usual depth, after Khodadad et al."""
_LOWPASS_HZ = 2.0
"""Four times the fastest breath at rest; hum and the steps of a converter lie above. Our choice."""
_HOP_S = 0.01
_OF_LATE = 8
"""The usual depth is the median of so many swings, up and down. Our choice."""
_DELAY_S = math.sqrt(0.5) / (math.pi * _LOWPASS_HZ)
"""The delay of the low-pass for signals much slower than its cutoff: 0.11 s."""
_PATIENCE_S, _FORGETTING_S = 8.0, 12.0
"""After the first time without a turn, the depth that is asked for falls, over the second: breath has become shallow.
Our choice.
"""
_SHALLOWEST = 0.15
"""The depth that is asked for never falls below this share: what is left in a held breath is the heart. Our choice."""
_LEAST_LIKE = 0.0625
"""A swing less like the others is no breath: a sigh of three times the depth gives 0.25 and is one, a belt that is
pulled off is none. Our choice.
"""
_SHORTEST_S, _LONGEST_S = 0.7, 30.0
"""Bounds of a whole breath: 86 to 2 a minute. Our choice."""
_AT_RANDOM, _BARELY_SURE = 0.28, 0.01
"""A likeness up to the first counts as none: in the mean of ten turns noise at the rates of breath has a likeness of
0.54, seldom more than 0.64, a belt at rest 0.8, and seldom less than 0.64. Our choice, from the tests' recordings.
"""
_STEPS_S, _CALMER_S = 0.95, 1.2
"""What comes faster than 50 a minute is trusted less, from 63 a minute on hardly: it may be steps. Our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BreathTurn:
    """A turn of breathing. at, known_at: places in the stream, counted from 0. level: relative to the first value."""

    at: int
    known_at: int
    is_top: bool
    level: float
    depth: float
    """The distance in level from the turn before."""
    length: int
    """The number of values from the turn before."""
    interval: int
    """The number of values from the turn before on the same side; 0 for the first."""
    sure: float
    """How far the swing and its interval are like those before, 0 to 1; of noise about 0.36 in the mean."""


class BreathFinder:
    """Takes the wave at rate_hz piece by piece, and gives the turns that became known; `wave` keeps the filtered piece.

    sign: -1.0 where breathing in makes the wave fall.
    """

    def __init__(self, rate_hz: int, sign: float = 1.0) -> None:
        self._sign = sign
        self._level, self._lowpass = FromFirst(), SosFilter(filters.lowpass(_LOWPASS_HZ, rate_hz))
        self._hop, self._rate_hz, self._seen = round(_HOP_S * rate_hz), rate_hz, 0
        self._delay = round(_DELAY_S * rate_hz)
        self._turns, self._swings, self._intervals = Turns(), deque[float](maxlen=_OF_LATE), deque[int](maxlen=_OF_LATE)
        self._highest, self._lowest = -math.inf, math.inf
        self._last: dict[bool, int] = {}
        self._last_at = 0
        self.wave = np.empty(0)
        """(frames,): the last piece, counted from the first value, low-passed with breathing in upwards."""

    def __call__(self, values: Floats) -> list[BreathTurn]:
        """The turns that became known within these values."""
        self.wave = self._lowpass(self._sign * self._level(values))
        found = []
        for index in range(-self._seen % self._hop, len(values), self._hop):
            value = float(self.wave[index])
            self._highest, self._lowest = max(self._highest, value), min(self._lowest, value)
            turn = self._turns(self._seen + index, value, self._least(self._seen + index))
            if turn is not None:
                found.append(self._breath(turn))
        self._seen += len(values)
        return found

    def _least(self, now: int) -> float:
        """The distance that the wave must come back from a turn."""
        if len(self._swings) < _OF_LATE // 2:
            return _SHARE * max((self._highest - self._lowest) / 2, _LEAST)
        return _SHARE * max(median(self._swings) * self._kept(now), _LEAST)

    def _kept(self, now: int) -> float:
        """The share of the usual depth that is asked for at present."""
        late_s = (now - self._last_at) / self._rate_hz - _PATIENCE_S
        return min(max(1.0 - late_s / _FORGETTING_S, _SHALLOWEST), 1.0)

    def _breath(self, turn: TurningPoint) -> BreathTurn:
        interval = turn.at - self._last.get(turn.is_top, turn.at)
        length = turn.at - self._last_at
        sure, kept = self._sure(turn.swing, interval), self._kept(turn.known_at)
        if kept < 1.0:
            self._swings = deque((kept * swing for swing in self._swings), _OF_LATE)
        self._swings.append(turn.swing)
        if interval:
            self._intervals.append(interval)
        self._last[turn.is_top], self._last_at = turn.at, turn.at
        return BreathTurn(
            at=max(turn.at - self._delay, 0),
            known_at=turn.known_at,
            is_top=turn.is_top,
            level=turn.level,
            depth=turn.swing,
            length=length,
            interval=interval,
            sure=sure,
        )

    def _sure(self, swing: float, interval: int) -> float:
        """0 for what is no breath, else how far it is like those before."""
        interval_s = interval / self._rate_hz
        if not _SHORTEST_S <= interval_s <= _LONGEST_S:
            return 0.0
        likeness = _ratio(swing, median(self._swings)) * _ratio(interval, median(self._intervals or (interval,)))
        if likeness < _LEAST_LIKE:
            return 0.0
        calm = min((interval_s - _STEPS_S) / (_CALMER_S - _STEPS_S), 1.0)
        return max((likeness - _AT_RANDOM) / (1.0 - _AT_RANDOM) * calm, _BARELY_SURE)


_LEAST = 1e-12


def _ratio(one: float, other: float) -> float:
    """The ratio of the smaller to the larger."""
    return min(one, other) / max(one, other, _LEAST)
