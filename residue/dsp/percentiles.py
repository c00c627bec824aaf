"""Percentiles of what came last."""

from __future__ import annotations

from bisect import bisect_left, insort
from collections import deque
from collections.abc import Sequence


class RunningPercentiles:
    """Percentiles of the last `most` values, each at its share of the way from the least to the greatest.

    The values stay in order, so that one more costs no sorting. Source: Hyndman and Fan, The American Statistician 50
    (1996) 361-365, definition 7: straight lines between the values in order. The bits are those of numpy.percentile.
    """

    def __init__(self, most: int, shares: Sequence[float]) -> None:
        self._shares = shares
        self._recent = deque[float](maxlen=most)
        self._ordered: list[float] = []

    def __call__(self, value: float) -> list[float]:
        """The percentiles, this value among those that count."""
        if len(self._recent) == self._recent.maxlen:
            del self._ordered[bisect_left(self._ordered, self._recent[0])]
        self._recent.append(value)
        insort(self._ordered, value)
        return [self._at(share) for share in self._shares]

    def _at(self, share: float) -> float:
        last = len(self._ordered) - 1
        place = last * share
        below = int(place)
        part = place - below
        low, high = self._ordered[below], self._ordered[min(below + 1, last)]
        way = high - low
        return low + way * part if part < 0.5 else high - way * (1.0 - part)  # from the nearer of the two, as numpy
