"""Which of the intervals between beats a heart made, and which come from a beat that was missed or made up.

An interval is judged by its neighbours and by how much this heart changes from beat to beat: a heart that is
irregular (extra beats, atrial fibrillation) keeps all its intervals, and a regular one keeps every smooth rise, but
loses the double interval of a missed beat. Source: our choice, after the local criteria that are usual for ectopic
beats (a change by more than 20 to 30 % against the neighbours); tested against simulated rhythms.
"""

from __future__ import annotations

import math
from collections import deque
from statistics import median

_FAR = 0.3
"""A regular heart seldom changes by more from one interval to the next."""
_CHANGES = 4.0
"""So many times its usual change does an irregular one."""
_KNOWN_FROM = 4
"""So many changes tell how much a heart changes."""
_NEW_RHYTHM = 3
"""So many intervals in a row, far from the usual but near to each other, are a new rhythm."""


class Plausible:
    """Believes the intervals between the shortest and the longest that fit to their neighbours."""

    def __init__(self, shortest_s: float = 0.0, longest_s: float = math.inf) -> None:
        self._shortest_s, self._longest_s = shortest_s, longest_s
        self._before_s = math.nan
        self._changes: deque[float] = deque(maxlen=8)
        self._believed: deque[float] = deque(maxlen=5)
        self._doubted: deque[float] = deque(maxlen=_NEW_RHYTHM)
        self._outside: deque[float] = deque(maxlen=_NEW_RHYTHM)
        self.new_rhythm: tuple[float, ...] = ()
        """The intervals of a rhythm that began of late, when the last one made it certain; else none."""

    @property
    def beyond(self) -> bool:
        """Whether the heart keeps a rhythm beyond the bounds: the last intervals lay there, near to each other."""
        return len(self._outside) == _NEW_RHYTHM and _change(max(self._outside), min(self._outside)) <= _FAR

    def __call__(self, interval_s: float) -> bool:
        """Whether to believe this interval, the next one in time."""
        self.new_rhythm = ()
        if not self._shortest_s <= interval_s <= self._longest_s:
            self._outside.append(interval_s)
            self._doubted.clear()
            self._before_s = math.nan
            return False
        self._outside.clear()
        if not math.isnan(self._before_s):
            self._changes.append(_change(interval_s, self._before_s))
        self._before_s = interval_s
        if not self._believed or self._is_near(interval_s, self._believed[-1], median(self._believed)):
            self._believed.append(interval_s)
            self._doubted.clear()
            return True
        self._doubted.append(interval_s)
        if len(self._doubted) == _NEW_RHYTHM and all(self._is_near(one, interval_s) for one in self._doubted):
            self._believed.clear()
            self._believed.extend(self._doubted)
            self._doubted.clear()
            self.new_rhythm = tuple(self._believed)
            return True
        return False

    def _is_near(self, interval_s: float, *others_s: float) -> bool:
        usual = _CHANGES * median(self._changes) if len(self._changes) >= _KNOWN_FROM else 0.0
        return any(_change(interval_s, other_s) <= max(_FAR, usual) for other_s in others_s)


def _change(one_s: float, other_s: float) -> float:
    """By what share the longer one is longer."""
    return max(one_s, other_s) / max(min(one_s, other_s), 1e-9) - 1.0
