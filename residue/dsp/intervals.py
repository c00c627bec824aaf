"""Tells intervals that a heart made from those of a beat that was missed or made up.

An interval is compared with its neighbours, by the measure of this heart's usual change from beat to beat: a heart that
is irregular (extra beats, atrial fibrillation) keeps all its intervals, and a regular one keeps every smooth rise, but
loses the double interval of a missed beat. Source: our choice, after the local criteria that are usual for ectopic
beats (a change by more than 20 to 30 % against the neighbours); tested against simulated rhythms.
"""

from __future__ import annotations

import math
from collections import deque
from statistics import median

_FAR = 0.3
"""The largest change from one interval to the next that is usual for a regular heart, as a share."""
_CHANGES = 4.0
"""An irregular heart may change by so many times its usual change."""
_KNOWN_FROM = 4
"""From so many changes on, the usual change of a heart is known."""
_NEW_RHYTHM = 3
"""So many intervals in a row, far from the usual ones but near to each other, are a new rhythm."""
_CHANGES_OF, _UNUSUAL, _LEAST_UNUSUAL_S = 30, 4.0, 0.03
"""A change is unusual beyond so many times the median of the last ones, and beyond the last figure. Our choice."""
_USUAL_FROM = 8


class OutOfPlace:
    """Tells changes from one interval to the next that come from a beat out of its place, by a touch or an extra beat.

    Such a beat makes two unusual changes in a row, one up and one down; a heart that changes its rate makes one.
    Variability is that of normal beats (Task Force of ESC and NASPE, Eur Heart J 17 (1996) 354-381). Source: after
    Lipponen and Tarvainen, J Med Eng Technol 43 (2019) 173-181, but by the median, which is high where a heart is
    irregular all the time.
    """

    def __init__(self) -> None:
        self._sizes: deque[float] = deque(maxlen=_CHANGES_OF)
        self._before_s, self._before_is_out = 0.0, False

    def __call__(self, change_s: float) -> int:
        """How many changes are, with this one, the next in time: 0, this alone, or 2 with the one before it."""
        known = median(self._sizes) if len(self._sizes) >= _USUAL_FROM else math.inf
        self._sizes.append(abs(change_s))
        before_s, was_out = self._before_s, self._before_is_out
        unusual_s = max(_UNUSUAL * known, _LEAST_UNUSUAL_S)
        self._before_s = change_s
        self._before_is_out = min(abs(change_s), abs(before_s)) > unusual_s and change_s * before_s < 0.0
        return (1 if was_out else 2) if self._before_is_out else 0


class Plausible:
    """Accepts the intervals between the shortest and the longest that fit to their neighbours."""

    def __init__(self, shortest_s: float = 0.0, longest_s: float = math.inf) -> None:
        self._shortest_s, self._longest_s = shortest_s, longest_s
        self._before_s = math.nan
        self._changes: deque[float] = deque(maxlen=8)
        self._believed: deque[float] = deque(maxlen=5)
        self._doubted: deque[float] = deque(maxlen=_NEW_RHYTHM)
        self._outside: deque[float] = deque(maxlen=_NEW_RHYTHM)
        self.new_rhythm: tuple[float, ...] = ()
        """The intervals of a new rhythm, when the last one made it certain; else none."""

    @property
    def beyond(self) -> bool:
        """Whether the heart keeps a rhythm outside the bounds: the last intervals were there, near to each other."""
        return len(self._outside) == _NEW_RHYTHM and _change(max(self._outside), min(self._outside)) <= _FAR

    def __call__(self, interval_s: float) -> bool:
        """Whether to accept this interval, the next one in time."""
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
    """The share by which the longer one is longer."""
    return max(one_s, other_s) / max(min(one_s, other_s), 1e-9) - 1.0
