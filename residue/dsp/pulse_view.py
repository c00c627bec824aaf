"""The peaks of one view of a pulse wave, and what speaks for a heart in them.

A peak is one of the wave that is the highest for most of a usual interval before and after, as in automatic peak
detection over windows of one scale (Scholkmann, Boss and Wolf, Algorithms 5 (2012) 588-603); the scale follows the
heart. For a heart speak that the shapes of its peaks are alike, and that the wave repeats itself. All figures are our
choice, from the recordings and noises of tests/bench/pulse.py.
"""

from __future__ import annotations

import itertools
import math
from collections import deque
from collections.abc import Sequence
from statistics import median
from typing import NamedTuple

import numpy as np

from residue.dsp.exact import Floats
from residue.dsp.likeness import around_mean, correlation

HOP_S, JUDGED_HOPS = 0.01, 45
"""A wave comes in hops; a peak is judged so many after its place."""
LEAST_APART_HOPS = 22
"""No two beats of a heart are nearer to each other."""
_REACH, _FIRST_INTERVAL_HOPS = 0.6, 80
"""A peak is the highest within this share of the usual interval, before and after."""
_EVERY, _UPDATES, _STEADY = 4, 12, 12
_PERIOD_OF, _PERIODS = 150, range(6, 41)
_PERIOD_SHARE = 0.85
"""The usual interval is the shortest after which the wave of the last 6 s is nearly as like itself as after any."""
_AGAIN_OF = 375
"""Whether the wave repeats itself is judged over the last 15 s: noise does so less the longer one looks."""
_SHARE, _MOST_AT_ONCE, _FORGET = 0.3, 3.0, 4.0
"""A peak is no lower than this share of the usual height, unless none came for so many intervals."""
_DUE, _SHARE_DUE = 0.9, 0.2
"""From so many intervals on a beat is due, and may be that low: after an artefact the usual height is too high."""
_USUAL_OF = 8
_COMPARED_WITH = 6
SHORT, LONG = 8, 16
"""A likeness is the mean over so many peaks: over the first it shows sooner that a sensor fell off, over the second it
wavers less in noise.
"""
_OF_LATE_HOPS = 1500
"""None of them is longer ago."""
_KNOWN, _KNOWN_FROM = 0.7, 4
"""From this likeness on a peak is one of the heart that was found, once so many of its shapes are known."""
_KNOWN_FOR_HOPS = 800
"""So long after two such peaks the heart is taken to beat, whatever noise there is: our choice, and as long as the
likeness of SHORT peaks takes to show that a sensor fell off.
"""


class Peak(NamedTuple):
    """The hop nearest to a peak, its place in values of the stream, and its height."""

    hop: int
    at: int
    height: float


class View:
    """Takes a view of a wave hop by hop and gives its peaks, each JUDGED_HOPS after its place.

    hop: values of the stream in a hop. late_hops: how much later than the stream the view is.
    """

    def __init__(self, hop: int, late_hops: int = 0) -> None:
        self._late = late_hops
        self._select = _Select(hop, JUDGED_HOPS - late_hops - 1)
        self._chosen: deque[Peak] = deque()
        self._alike, self._slopes, self._heart = _Alike(), _Alike(), _Heart()
        self._judged: deque[Peak] = deque(maxlen=_USUAL_OF)

    def __call__(self, hop: int, height: float, least: float) -> Peak | None:
        """The peak that is judged at this hop, if there is one. least: what is lower is no peak."""
        self._chosen.extend(self._select(hop - self._late, height, least))
        if not self._chosen or hop - self._chosen[0].hop < JUDGED_HOPS:
            return None
        self._judged.append(self._chosen.popleft())
        return self._judged[-1]

    def compare(self, shape: Sequence[float]) -> None:
        """Takes the shape of the wave around the peak that is judged."""
        shape, hop = around_mean(shape), self._judged[-1].hop
        slopes = [later - earlier for earlier, later in itertools.pairwise(shape)]
        self._alike(hop, shape)
        self._slopes(hop, slopes)
        self._heart(hop, slopes)

    def learn(self) -> None:
        """Takes the peak that is judged for one of a heart, if those before it are alike, and it is like them."""
        if min(self._slopes.mean(SHORT), self._slopes.mean(1)) >= _KNOWN:
            self._heart.learn()

    def beats(self, hop: int) -> bool:
        """Whether the heart that was found was seen again of late."""
        return hop - self._heart.seen <= _KNOWN_FOR_HOPS

    @property
    def is_high_or_alike(self) -> bool:
        """Whether the peak that is judged is as high as usual beats, or like those before it: noise may be due too."""
        return self.high >= _SHARE or self._slopes.mean(1) >= _KNOWN

    @property
    def compared(self) -> int:
        """The number of peaks that were compared, up to LONG."""
        return len(self._alike)

    def alike(self, most: int = SHORT) -> float:
        """The mean correlation of the last shapes, at most so many, with those before them."""
        return self._alike.mean(most)

    @property
    def slopes_alike(self) -> float:
        """The same of their slopes, over SHORT."""
        return self._slopes.mean(SHORT)

    @property
    def again(self) -> float:
        """The correlation of the last 15 s with themselves an interval earlier."""
        return self._select.period.again

    @property
    def interval_s(self) -> float:
        """The usual interval of the last peaks; 0 before the second."""
        apart = [later.hop - earlier.hop for earlier, later in itertools.pairwise(self._judged)]
        return HOP_S * median(apart) if apart else 0.0

    @property
    def high(self) -> float:
        """The height of the last peak relative to the usual one."""
        return self._judged[-1].height / median(peak.height for peak in self._judged)


class _Select:
    """Takes the height of a wave at each hop and gives the peaks that are the highest around."""

    def __init__(self, hop: int, most_reach_hops: int) -> None:
        self._hop, self._most_reach = hop, most_reach_hops
        self._past = (0.0, 0.0)
        self._waiting: deque[Peak] = deque()
        self.period = _Period()
        self._heights: deque[float] = deque(maxlen=_USUAL_OF)
        self._last: int | None = None

    def __call__(self, hop: int, height: float, least: float) -> list[Peak]:
        """least: what is lower is no peak."""
        usual = self.period(hop, height)
        before, top = self._past
        self._past = (top, height)
        if before < top >= height and top > least:
            aside = 0.5 * (before - height) / (before - 2.0 * top + height)
            self._waiting.append(Peak(hop - 1, round((hop - 1 + aside) * self._hop), top))
        found = []
        while self._waiting:
            peak = self._waiting[0]
            reach = min(max(int(_REACH * usual), LEAST_APART_HOPS), self._most_reach)
            since = math.inf if self._last is None else peak.hop - self._last
            hidden = since < reach or any(
                other.height > peak.height for other in self._waiting if other.hop - peak.hop < reach
            )
            if not hidden and hop - peak.hop < reach:
                break
            self._waiting.popleft()
            if not hidden and self._is_high(peak, since / usual):
                self._take(peak)
                found.append(peak)
        return found

    def _is_high(self, peak: Peak, intervals_since: float) -> bool:
        if not self._heights or intervals_since >= _FORGET:
            return True
        return peak.height >= (_SHARE if intervals_since < _DUE else _SHARE_DUE) * median(self._heights)

    def _take(self, peak: Peak) -> None:
        most = _MOST_AT_ONCE * median(self._heights) if self._heights else peak.height
        self._heights.append(min(peak.height, most))
        self._last = peak.hop


class _Period:
    """Takes a wave hop by hop and gives the usual interval from beat to beat, in hops.

    again: how much the wave repeats itself after an interval, at most 1; 0 before anything is known.
    """

    def __init__(self) -> None:
        self._wave: deque[float] = deque(maxlen=_AGAIN_OF)
        self._found: deque[int] = deque([_FIRST_INTERVAL_HOPS], maxlen=_STEADY)
        self.again = 0.0

    def __call__(self, hop: int, height: float) -> float:
        if hop % _EVERY == 0:
            self._wave.append(height)
            if hop % (_EVERY * _UPDATES) == 0 and len(self._wave) > 2 * _PERIODS[-1]:
                self._look(np.array(self._wave))
        return median(self._found)

    def _look(self, wave: Floats) -> None:
        of_late, powers = wave[-_PERIOD_OF:], np.cumsum(wave * wave)
        whole, products = float(powers[-1]), [wave[period:] * wave[:-period] for period in _PERIODS]
        likeness = [
            float(np.add.reduce(product[period - len(of_late) :])) / (len(of_late) - period)
            for period, product in zip(_PERIODS, products, strict=True)
        ]
        again = [
            float(np.add.reduce(product))
            / max(math.sqrt(float(powers[-1 - period]) * (whole - float(powers[period - 1]))), _TINY)
            for period, product in zip(_PERIODS, products, strict=True)
        ]
        most = max(likeness)
        enough = min(_PERIOD_SHARE * most, most)
        self._found.append(next(_EVERY * _PERIODS[at] for at in _tops(likeness) if likeness[at] >= enough))
        self.again = max((again[at] for at in _tops(again) if 0 < at < len(again) - 1), default=0.0)


_TINY = 1e-300
"""So that nothing is divided by 0."""


def _tops(values: Sequence[float]) -> list[int]:
    """Where the values are no lower than on either side."""
    return [
        at
        for at, (before, here, after) in enumerate(
            zip([-math.inf, *values], values, [*values[1:], -math.inf], strict=False)
        )
        if here >= before and here >= after
    ]


class _Alike:
    """The mean correlation of the last shapes with those before them."""

    def __init__(self) -> None:
        self._shapes: deque[Sequence[float]] = deque(maxlen=_COMPARED_WITH)
        self._likeness: deque[tuple[int, float]] = deque(maxlen=LONG)

    def __call__(self, hop: int, shape: Sequence[float]) -> None:
        """Takes the next shape in time."""
        while self._likeness and hop - self._likeness[0][0] > _OF_LATE_HOPS:
            self._likeness.popleft()
        if self._shapes:
            alike = math.fsum(correlation(shape, seen) for seen in self._shapes)
            self._likeness.append((hop, alike / len(self._shapes)))
        self._shapes.append(shape)

    def mean(self, most: int) -> float:
        """Over the last shapes that were compared, at most so many; 0 before the first."""
        last = [alike for _, alike in self._likeness][-most:]
        return math.fsum(last) / max(len(last), 1)

    def __len__(self) -> int:
        """The number of shapes that were compared, up to LONG."""
        return len(self._likeness)


class _Heart:
    """The shapes of a heart that was found, by which it is known again: averages know it only once noise has left them.

    seen: the hop of the last peak that was, like the one before it, one of this heart.
    """

    def __init__(self) -> None:
        self._shapes: deque[Sequence[float]] = deque(maxlen=_COMPARED_WITH)
        self._last: Sequence[float] = ()
        self._is_known = False
        self.seen = -math.inf

    def __call__(self, hop: int, shape: Sequence[float]) -> None:
        """Takes the next shape in time."""
        was_known, self._last = self._is_known, shape
        alike = math.fsum(correlation(shape, known) for known in self._shapes)
        self._is_known = len(self._shapes) >= _KNOWN_FROM and alike >= _KNOWN * len(self._shapes)
        if self._is_known and was_known:
            self.seen = hop

    def learn(self) -> None:
        """Remembers the last shape."""
        self._shapes.append(self._last)
