"""Tells the beats of a heart from noise, hum and a loose electrode, among the candidates of a detector.

Beats of a heart are stronger than the signal between them, and look alike; noise does neither. Both are averaged over
several candidates, so that a single strange beat (an extra beat of the ventricles, for example) counts too. Shapes are
compared where they fit best. All thresholds are our choice, from the recordings and noises of tests/bench/heart.py.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Sequence

from residue.dsp.likeness import correlation_of, sum_of_squares

_OF_LATE = 8
"""The number of candidates over which both are averaged."""
_COMPARED_WITH = 6
"""A candidate is compared with so many before it."""
_SHIFT_S = 0.02
"""The most by which two shapes are moved against each other."""
_STANDS_OUT, _BARELY = 1.75, 1.5
"""The least average strength of beats relative to the signal between them; noise reaches 1.7. The second is enough for
beats of which three are alike.
"""
_STANDS_OUT_AT_ONCE = 3.5
"""The first beat counts above this strength, before there is another to compare it with."""
_MOST = 7.0
"""The most that a single strong candidate weighs in the average."""
_ALIKE = 0.64
"""The least average correlation of beats in noise; noise alone reaches 0.6."""
_THREE_ALIKE, _THREE_NOT_UNLIKE = 0.62, 0.4
"""The least average correlation with the third best of the six before. Noise alone seldom reaches the first value;
bursts of muscles are strong, but stay below the second.
"""
_VERY_ALIKE, _FAST_S = 0.92, 0.42
"""There is nothing between the beats of a fast heart; such beats must be at least this alike."""
_STILL_ALIKE, _STILL_STANDS_OUT = 0.6, 1.6
"""A heart that was found stays found above these averages, while noise hides it in part: of noise alone, 2 to 8 in 100
candidates stay above both. Our choice.
"""
_KEPT = 0.6
"""A beat that is only kept so is trusted by so much as others: below a half. Our choice."""
_LEARNED, _KNOWN, _KNOWN_STANDS_OUT, _KNOWN_FROM = 0.8, 0.7, 1.3, 4
"""A beat that is so much like one before it is remembered. A candidate is known by its correlation with the third best
of the six that were remembered last, and by its strength, once there are four.
"""
_KNOWN_FOR_S = 4.0
"""So long after two known candidates in a row, or a beat that was remembered, a heart is taken to beat. Our choice."""
_AGAIN = 0.9
"""A weak candidate that is at least this like another one is a second kind of beat."""


class _Shape:
    """A shape with what every comparison asks of it."""

    def __init__(self, values: Sequence[float], shift: int) -> None:
        self.from_on = [values[start:] for start in range(shift + 1)]
        """The shape from its first values on."""
        self.squares = [sum_of_squares(part) for part in self.from_on]


class Heartlike:
    """Takes the candidates in the order of time and gives, for each, how sure it is that this is a beat.

    hop_s: the time from one value of a shape to the next.
    alike: the average correlation from which candidates look alike.
    """

    def __init__(self, hop_s: float, alike: float = _ALIKE) -> None:
        self._shift, self._alike = round(_SHIFT_S / hop_s), alike
        self._shapes: deque[_Shape] = deque(maxlen=_COMPARED_WITH)
        self._weak: deque[_Shape] = deque(maxlen=3)
        self._likeness: deque[float] = deque(maxlen=_OF_LATE)
        self._contrast: deque[float] = deque(maxlen=_OF_LATE)
        self._third = deque[float](maxlen=_OF_LATE)
        self._begun = self._beats = False
        self._heart: deque[_Shape] = deque(maxlen=_COMPARED_WITH)
        self._was_known, self._now_s, self._seen_s = False, 0.0, -math.inf

    def __call__(self, values: Sequence[float], contrast: float, interval_s: float) -> float:
        """0 for a candidate that is not a beat, else how sure it is, up to 1.

        values: its shape. contrast: its strength relative to the signal between candidates. interval_s: the time from
        the candidate before.
        """
        shape = _Shape(values, self._shift)
        self._now_s += interval_s
        ranked = self._ranked(shape, self._shapes) or [0.0]
        known = ranked[0]
        self._shapes.append(shape)
        self._contrast.append(min(contrast, _MOST))
        if not self._begun and contrast >= _STANDS_OUT_AT_ONCE:
            self._begin()
        elif len(self._shapes) > 1:
            self._likeness.append(known)
            self._third.append(ranked[max(len(ranked) // 2 - 1, 0)])
        alike, stands = (_STILL_ALIKE, _STILL_STANDS_OUT) if self._beats else (self._alike, _STANDS_OUT)
        if not self._likeness or (known < alike and contrast < stands):
            return 0.0
        likeness, third, stands_out = _mean(self._likeness), _mean(self._third), _mean(self._contrast)
        clear = stands_out >= _STANDS_OUT and third >= _THREE_NOT_UNLIKE
        begins = likeness >= self._alike and (clear or (stands_out >= _BARELY and third >= _THREE_ALIKE))
        stays = likeness >= _STILL_ALIKE and stands_out >= _STILL_STANDS_OUT and third >= _THREE_NOT_UNLIKE
        self._beats = begins or (self._beats and stays)
        is_fast = likeness >= _VERY_ALIKE and interval_s < _FAST_S
        if begins and known >= _LEARNED and contrast >= _STANDS_OUT:
            self._heart.append(shape)
            self._seen_s = self._now_s
        if begins or is_fast:
            return min(1.0, likeness)
        self._look_for_heart(shape, contrast)
        return _KEPT * min(1.0, likeness) if self._beats or self._now_s - self._seen_s <= _KNOWN_FOR_S else 0.0

    def knows(self, values: Sequence[float]) -> bool:
        """Whether a weak candidate looks like recent beats, or like another weak one; if not, it is remembered."""
        shape = _Shape(values, self._shift)
        if self._likeness_to(self._shapes, shape) >= self._alike or self._likeness_to(self._weak, shape) >= _AGAIN:
            return True
        self._weak.append(shape)
        return False

    def _look_for_heart(self, shape: _Shape, contrast: float) -> None:
        """Whether the heart that was found is there again: the averages know it only once noise has left them."""
        is_known = False
        if contrast >= _KNOWN_STANDS_OUT and len(self._heart) >= _KNOWN_FROM:
            is_known = self._ranked(shape, self._heart)[len(self._heart) // 2 - 1] >= _KNOWN
        if is_known and self._was_known:
            self._seen_s = self._now_s
        self._was_known = is_known

    def _ranked(self, shape: _Shape, others: Iterable[_Shape]) -> list[float]:
        """The correlations with others, the best first."""
        return sorted((self._correlation(shape, other) for other in others), reverse=True)

    def _begin(self) -> None:
        """Begins at the first beat that is clearly strong: the candidates before it were no heart."""
        self._begun = True
        self._likeness.clear()
        self._likeness.extend((1.0, 1.0))
        self._third.clear()
        self._third.extend((1.0, 1.0))
        self._contrast.clear()
        self._contrast.append(_MOST)

    def _likeness_to(self, shapes: Iterable[_Shape], shape: _Shape) -> float:
        return max((self._correlation(shape, seen) for seen in shapes), default=0.0)

    def _correlation(self, one: _Shape, other: _Shape) -> float:
        """The correlation of two shapes where they fit best; 0 if it is negative."""

        def likeness(of_one: int, of_other: int) -> float:
            squares = one.squares[of_one] * other.squares[of_other]
            return correlation_of(one.from_on[of_one], other.from_on[of_other], squares)

        shifts = range(1, self._shift + 1)
        return max(0.0, likeness(0, 0), *(likeness(at, 0) for at in shifts), *(likeness(0, at) for at in shifts))


def _mean(values: deque[float]) -> float:
    return math.fsum(values) / len(values)
