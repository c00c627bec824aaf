"""The trust in what is read from beats: measured while beats come, fading once one is overdue."""

from __future__ import annotations

from collections import deque

import numpy as np

from residue.mapping.nodes.staircase import Staircase
from residue.mapping.signals import AUDIO_RATE_HZ, FRAMES_PER_TICK, Slow, Span

_OVERDUE = 1.5
"""So many times the longest interval of late may pass at full trust; at twice that there is none. Our choice."""
_LONGEST_OF = 4
_FIRST_INTERVAL_S = 1.0


class BeatTrust:
    """How sure the last beats are, on the average, times how fresh they are; 0 before the first.

    over: how many beats are averaged.
    at_start: so many beats count as unsure before the first, where a value is worth little until many came.
    """

    def __init__(self, over: int, at_start: int = 0) -> None:
        self._sure: deque[float] = deque([0.0] * at_start, maxlen=over)
        self._intervals_s: deque[float] = deque(maxlen=_LONGEST_OF)
        self._beats: list[tuple[int, float, float]] = []
        self._share, self._last, self._usual = Staircase(0.0), Staircase(0.0), Staircase(1.0)

    def restart(self) -> None:
        """Forget how sure the beats before were: another rhythm has begun."""
        self._sure.clear()
        self._intervals_s.clear()

    def beat(self, frame: int, interval_s: float, sure: float) -> None:
        """The next beat in time, and how sure it is, 0 to 1; interval_s: from the one before, 0 if there is none."""
        self._sure.append(sure)
        if sure > 0.0 and interval_s > 0.0:
            self._intervals_s.append(interval_s)
        mean = 0.0
        for one in self._sure:
            mean += one
        usual_s = max(self._intervals_s, default=_FIRST_INTERVAL_S)
        self._beats.append((frame, mean / len(self._sure), _OVERDUE * usual_s * AUDIO_RATE_HZ))

    def __call__(self, span: Span) -> Slow:
        """(ticks,), with the beats that came within the span."""
        share = self._share(span, [(frame, mean) for frame, mean, _ in self._beats])
        last = self._last(span, [(frame, float(frame)) for frame, _, _ in self._beats])
        patience = self._usual(span, [(frame, usual) for frame, _, usual in self._beats])
        self._beats.clear()
        frames = np.arange(span.first_tick, span.last_tick) * float(FRAMES_PER_TICK)
        trust: Slow = share * np.minimum(np.maximum(2.0 - (frames - last) / patience, 0.0), 1.0)
        return trust
