"""Which of the intervals between beats to believe."""

from __future__ import annotations

from collections import deque
from statistics import median

_FAR = 0.35
"""Share of the usual interval; a sinus rhythm seldom jumps so far from one beat to the next. Our choice."""
_NEW_RHYTHM = 4
"""So many intervals in a row, far from the usual but near to each other, are a new rhythm."""


class Plausible:
    """Believes intervals that a heart can have and that are not far from the usual one of the last beats."""

    def __init__(self, shortest_s: float, longest_s: float) -> None:
        self._shortest_s, self._longest_s = shortest_s, longest_s
        self._believed: deque[float] = deque(maxlen=7)
        self._doubted: deque[float] = deque(maxlen=_NEW_RHYTHM)

    def __call__(self, interval_s: float) -> bool:
        """Whether to believe this interval, the next one in time."""
        if not self._shortest_s <= interval_s <= self._longest_s:
            self._doubted.clear()
            return False
        if not self._believed or _near(interval_s, self._believed):
            self._believed.append(interval_s)
            self._doubted.clear()
            return True
        self._doubted.append(interval_s)
        if len(self._doubted) == _NEW_RHYTHM and all(_near(doubted, self._doubted) for doubted in self._doubted):
            self._believed.clear()
            self._believed.extend(self._doubted)
            self._doubted.clear()
            return True
        return False


def _near(interval_s: float, others: deque[float]) -> bool:
    usual_s = median(others)
    return abs(interval_s - usual_s) <= _FAR * usual_s
