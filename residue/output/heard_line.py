"""When a frame on a device is heard, on the monotonic clock, from readings that are late by chance.

A device tells in steps what it has played, and a machine looks at it a little after a step, so a reading says that a
frame is heard later than it is, and never earlier. So the earliest of many counts, as they stand on the line that the
device's own clock draws against the machine's. The slope of that line comes from the earliest of each 20 s.
"""

from __future__ import annotations

from collections import deque
from itertools import combinations
from statistics import median

from residue.loudness.meters.hops import HOP_RATE_HZ
from residue.output.sink import Queued

FEWEST = 20
"""The readings that count at first, 2 s of them, when the slope is not known yet; a quarter of all a little later."""
_GROWTH = 4
_STRETCH, _STRETCHES = 200, 15
"""The slope is the median of those between the earliest readings of so many stretches (Theil 1950, Sen 1968). A sound
server hands on what it plays in pieces of its own, whose ends come round to those of a reading within one.
"""
_SURE = 5
"""From so many stretches on, a slope is better than one that was known before; from two on, better than none."""
_COUNTING = 5
"""The stretches whose earliest readings count beside the latest readings, once the slope is known."""
JUMP_S = 0.05
"""Readings that all agree to be so much later than those before: the device stood still."""

_Point = tuple[float, float]
"""The moment of a reading, and when the first frame would have been heard by what it says."""


class HeardLine:
    """The line on which the frames of one device are heard.

    slope: by how much the device is slow against the machine's clock, as far as it is known: 1e-6 is 1 ppm.
    """

    def __init__(self, slope: float = 0.0) -> None:
        self.slope = slope
        self._points: deque[_Point] = deque(maxlen=_STRETCH)
        self._earliest: deque[_Point] = deque(maxlen=_STRETCHES)
        self._frames = 0
        self._readings = 0

    def __len__(self) -> int:
        """The readings since the last jump."""
        return self._readings

    @property
    def settled(self) -> bool:
        """Whether the slope is known, and readings enough to use it."""
        return len(self._earliest) > 1

    def forget(self, but: int = 0) -> None:
        """Lets only the next readings count, and so many of the last."""
        for _ in range(len(self._points) - but):
            self._points.popleft()
        self._earliest.clear()
        self._readings = len(self._points)

    def take(self, frames: int, queued: Queued) -> None:
        """So many frames were written, and this reading followed."""
        self._frames += frames
        self._points.append((queued.at_s, queued.at_s + (queued.queued_frames - self._frames) / HOP_RATE_HZ))
        self._readings += 1
        latest = list(self._points)[-FEWEST:]
        if min(map(_begin_s, latest)) - min(map(_begin_s, self._points)) > JUMP_S:
            self.forget(but=FEWEST)
        if self._readings % _STRETCH == 0:
            self._earliest.append(min(self._points, key=self._level))
            if len(self._earliest) >= (_SURE if self.slope else 2):
                self.slope = median((y - v) / (x - u) for (u, v), (x, y) in combinations(self._earliest, 2))

    def next_s(self) -> float:
        """When the next frame that is written is heard; at least one reading was taken."""
        counting = list(self._points)
        if self.settled:
            counting = [*list(self._earliest)[-_COUNTING:], *counting]
        else:
            counting = counting[-max(FEWEST, self._readings // _GROWTH) :]
        now_s = counting[-1][0]
        return min(map(self._level, counting)) + self.slope * now_s + self._frames / HOP_RATE_HZ

    def _level(self, point: _Point) -> float:
        at_s, begin_s = point
        return begin_s - self.slope * at_s


def _begin_s(point: _Point) -> float:
    return point[1]
