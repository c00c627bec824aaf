"""When a frame on a device is heard, on the monotonic clock, from readings that are late by chance.

A device tells in steps what it has played, and a machine looks at it a little after a step, so a reading says that a
frame is heard later than it is, and never earlier. So the earliest of many counts, as they stand on the line that the
device's own clock draws against the machine's. The slope of that line comes from the earliest of each 20 s.
"""

from __future__ import annotations

from collections import deque
from itertools import chain, combinations
from math import inf
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
_APART_S = 10.0
"""A slope comes from earliest readings that lie so far apart at least; half a stretch."""
BEGINS_S = 2.0
"""A device or a server begins to play some time after it was given the first frames, and tells of them meanwhile as if
it played: too early, which is what counts here for as long as a minute and a half. No reading of that time is taken.
"""
_COUNTING = 5
"""The stretches whose earliest readings count beside the latest readings, once the slope is known."""
STOOD_STILL_S = 0.005
"""So much later than ever in the last minutes, a frame is heard by each reading of the last half a second: then the
device stood still.
"""
_AGREE = 5
"""So many readings, since a sound server may be late to take from a stream, and what it sends be heard in time."""
_RECENT = 10
"""Readings that do not count for that, as they may themselves tell of it without being sure."""

_Point = tuple[float, float]
"""The moment of a reading, and when the first frame would have been heard by what it says."""


class HeardLine:
    """The line on which the frames of one device are heard.

    slope: by how much the device is slow against the machine's clock, as far as it is known: 1e-6 is 1 ppm.
    """

    def __init__(self, slope: float = 0.0) -> None:
        self.slope = slope
        self._known_from = _SURE if slope else 2
        """The stretches that a slope has to come from, to be better than the present one."""
        self._known = bool(slope)
        self._counts_from_s: float | None = None
        """From this moment on readings count; None until the first one after a beginning."""
        self._points: deque[_Point] = deque(maxlen=_STRETCH)
        self._agree: deque[_Point] = deque(maxlen=_AGREE)
        """The last, as if each answer had been as old as the question: no machine that is late makes it later."""
        self._agreed: deque[_Point] = deque(maxlen=_STRETCH)
        """The earliest of such at each moment."""
        self._latest: deque[_Point] = deque(maxlen=_STRETCHES)
        """The latest of those in each stretch."""
        self._earliest: deque[_Point] = deque(maxlen=_STRETCHES)
        self._frames = 0
        self._readings = 0

    def __len__(self) -> int:
        """The readings that count since the device began or stood still; 0 while it begins."""
        return self._readings

    @property
    def settled(self) -> bool:
        """Whether the slope is known, and readings enough to use it."""
        return self._known and len(self._earliest) > 1

    def forget(self, but: int = 0) -> None:
        """Lets only the next readings count, and so many of the last; without any, the device begins anew."""
        for _ in range(len(self._points) - but):
            self._points.popleft()
        for one in (self._earliest, self._agree, self._agreed, self._latest):
            one.clear()
        self._readings = len(self._points)
        if not but:
            self._counts_from_s = None

    def take(self, frames: int, queued: Queued) -> None:
        """So many frames were written, and this reading followed."""
        self._frames += frames
        if self._counts_from_s is None:
            self._counts_from_s = queued.at_s + BEGINS_S
        if queued.at_s < self._counts_from_s:
            return
        ahead_s = (queued.queued_frames - self._frames) / HOP_RATE_HZ
        if self._stood_still((queued.asked_s, queued.asked_s + ahead_s)):
            self.forget()
            return
        self._points.append((queued.at_s, queued.at_s + ahead_s))
        self._readings += 1
        if self._readings % _STRETCH == 0:
            self._earliest.append(min(self._points, key=self._level))
            self._latest.append(max(self._agreed, key=self._level))
            pairs = combinations(self._earliest, 2)
            slopes = [(y - v) / (x - u) for (u, v), (x, y) in pairs if x - u > _APART_S]
            if slopes and len(self._earliest) >= self._known_from:
                self.slope, self._known = median(slopes), True
                self._known_from = min(_SURE, len(self._earliest))

    def next_s(self) -> float:
        """When the next frame that is written is heard; at least one reading counts."""
        counting = list(self._points)
        if self.settled:
            counting = [*list(self._earliest)[-_COUNTING:], *counting]
        else:
            counting = counting[-max(FEWEST, self._readings // _GROWTH) :]
        now_s = counting[-1][0]
        return min(map(self._level, counting)) + self.slope * now_s + self._frames / HOP_RATE_HZ

    def _stood_still(self, point: _Point) -> bool:
        self._agree.append(point)
        if len(self._agree) < _AGREE:
            return False
        agreed = min(self._agree, key=self._level)
        self._agreed.append(agreed)
        before = list(self._agreed)[:-_RECENT]
        latest = max(map(self._level, chain(self._latest, before)), default=inf)
        return self._level(agreed) > latest + STOOD_STILL_S

    def _level(self, point: _Point) -> float:
        at_s, begin_s = point
        return begin_s - self.slope * at_s
