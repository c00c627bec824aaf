"""The trust in readings of beats: it is full while beats come, and fades once one is overdue."""

from __future__ import annotations

from collections import deque

import numpy as np

from residue.mapping.nodes.staircase import SinceEvent, Staircase
from residue.mapping.signals import AUDIO_RATE_HZ, Slow, Span

_OVERDUE = 1.5
"""Trust is full until so many times the longest recent interval has passed, and 0 at twice that time. Our choice."""
_LONGEST_OF = 4
_FIRST_INTERVAL_S = 1.0


class BeatTrust:
    """The trust in the last beats: their average sureness, times how recent they are; 0 before the first.

    over: the number of beats in the average. at_start: so many beats count as unsure before the first, for a value that
    means little until many beats came.
    """

    def __init__(self, over: int, at_start: int = 0) -> None:
        self._sure: deque[float] = deque([0.0] * at_start, maxlen=over)
        self._intervals_s: deque[float] = deque(maxlen=_LONGEST_OF)
        self._beats: list[tuple[int, float, float]] = []
        self._share, self._since, self._usual = Staircase(0.0), SinceEvent(), Staircase(1.0)

    def restart(self) -> None:
        """Forgets how sure the beats before were: another rhythm has begun."""
        self._sure.clear()
        self._intervals_s.clear()

    def take_back(self) -> None:
        """The last beat was none to be sure of: that shows with the next one."""
        if self._sure:
            self._sure[-1] = 0.0

    def beat(self, frame: int, interval_s: float, sure: float) -> None:
        """Adds the next beat in time.

        sure: 0 to 1; interval_s: the time from the beat before, 0 if there is none.
        """
        self._sure.append(sure)
        if sure > 0.0 and interval_s > 0.0:
            self._intervals_s.append(interval_s)
        mean = 0.0
        for one in self._sure:
            mean += one
        usual_s = max(self._intervals_s, default=_FIRST_INTERVAL_S)
        self._beats.append((frame, mean / len(self._sure), _OVERDUE * usual_s * AUDIO_RATE_HZ))

    def __call__(self, span: Span) -> Slow:
        """The trust over a span, (ticks,), with the beats that came within it."""
        share = self._share(span, [(frame, mean) for frame, mean, _ in self._beats])
        since = self._since(span, [frame for frame, _, _ in self._beats])
        patience = self._usual(span, [(frame, usual) for frame, _, usual in self._beats])
        self._beats.clear()
        trust: Slow = share * np.minimum(np.maximum(2.0 - since / patience, 0.0), 1.0)
        return trust
