"""Tells a signal that goes beyond the range of its converter: it stands still where it is furthest from its middle."""

from __future__ import annotations

import numpy as np

from residue.dsp.exact import Floats
from residue.dsp.filters import FromFirst
from residue.dsp.sliding import SlidingMean, sliding_maximum

_RAIL, _STILL = 0.7, 0.15
"""Beyond the first share of the furthest value, a change from value to value of less than the second share of the usual
one is standing still; what was resampled still swings a little there. A sine does so in 6 % of the time, a muscle in
1 %, a muscle that is clipped at half of its usual height in 16 %.
"""
_SELDOM, _OFTEN = 0.07, 0.15
"""The share of the time at a rail from which trust falls, and at which it is 0. Our choice."""


class Clipped:
    """Takes a signal around its middle piece by piece, and gives the trust that it is whole, 0 to 1.

    ticks: over so many values it looks.
    """

    def __init__(self, ticks: int) -> None:
        self._level, self._middle, self._furthest = FromFirst(), SlidingMean(ticks), sliding_maximum(ticks)
        self._steps, self._share, self._before = SlidingMean(ticks), SlidingMean(ticks), 0.0

    def __call__(self, values: Floats) -> Floats:
        """The trust in each value, (frames,)."""
        if not len(values):
            return np.empty(0)
        values = self._level(values)
        steps = np.diff(values, prepend=self._before)
        self._before = float(values[-1])
        squares = steps * steps
        away = np.abs(values - self._middle(values))
        railed = (away > _RAIL * self._furthest(away)) & (squares < _STILL * _STILL * self._steps(squares))
        share = self._share(railed.astype(np.float64))
        trust: Floats = np.clip((_OFTEN - share) / (_OFTEN - _SELDOM), 0.0, 1.0)
        return trust
