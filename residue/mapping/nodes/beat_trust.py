"""The trust in readings of beats: it is full while beats come, and fades once one is overdue."""

from __future__ import annotations

from collections import deque

import numpy as np

from residue.mapping.node import Block
from residue.mapping.nodes.staircase import SinceEvent, Staircase
from residue.mapping.signals import AUDIO_RATE_HZ, FRAMES_PER_TICK, Slow, Span

_OVERDUE = 1.5
"""Trust is full until so many times the longest recent interval has passed, and 0 at twice that time. Our choice."""
_MEASURED = 0.6
"""The least trust in beats between which an interval counts as measured: above that in a single strange beat, and in
one that noise hides in part. Our choice.
"""
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


class MeasuredIntervals:
    """The intervals of beats as they come, and whether each was measured: both beats that it lies between are trusted.

    One that borders on an artefact says nothing about the heart, and is left out of its variability: Task Force of ESC
    and NASPE, Eur Heart J 17 (1996) 354-381, which counts from normal beat to normal beat.
    """

    def __init__(self) -> None:
        self._trust, self._was_trusted = 1.0, True

    def __call__(self, block: Block) -> list[tuple[int, float, bool]]:
        """Frame, interval in seconds, and whether it was measured, of each beat of the input that has an interval."""
        events, trust, span = block.events("input"), block.trusts.get("input"), block.span
        found = []
        for frame, interval_s in zip(events.frames.tolist(), events.values.tolist(), strict=True):
            tick = frame // FRAMES_PER_TICK - span.first_tick
            known = 1.0 if trust is None else float(trust[tick]) if tick >= 0 else self._trust
            is_trusted = known >= _MEASURED
            if interval_s > 0:
                found.append((frame, interval_s, is_trusted and self._was_trusted))
            self._was_trusted = is_trusted
        if trust is not None and len(trust):
            self._trust = float(trust[-1])
        return found
