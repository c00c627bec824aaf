"""The turning points of a slow wave, found as it comes: tops and bottoms that are far enough apart.

A top is known once the wave has fallen from it by a given height, a bottom once it has risen from it; so tops and
bottoms alternate, in spite of drift and ripples.
"""

from __future__ import annotations

from typing import NamedTuple


class TurningPoint(NamedTuple):
    """One turning point. swing: its distance from the turn before it, above 0."""

    at: int
    known_at: int
    is_top: bool
    level: float
    swing: float


class Turns:
    """Takes one value after the other, and gives a turn when it becomes known."""

    def __init__(self) -> None:
        self._top = self._bottom = (0, 0.0)
        self._rising: bool | None = None
        self._before = 0.0

    def __call__(self, at: int, value: float, least: float) -> TurningPoint | None:
        """The turn that becomes known with this value, if there is one.

        at: the place of the value, ascending; least: the distance that the wave must come back. The first turn of a
        stream is where it began or later; its swing counts from the first value.
        """
        if self._rising is None and self._top == self._bottom == (0, 0.0):
            self._top = self._bottom = (at, value)
            self._before = value
        if value >= self._top[1]:
            self._top = (at, value)
        if value <= self._bottom[1]:
            self._bottom = (at, value)
        if self._rising is not False and self._top[1] - value > least:
            return self._turn(at, value, self._top, is_top=True)
        if self._rising is not True and value - self._bottom[1] > least:
            return self._turn(at, value, self._bottom, is_top=False)
        return None

    def _turn(self, at: int, value: float, turned: tuple[int, float], *, is_top: bool) -> TurningPoint:
        """Remembers the turn, and looks for the opposite turn from here on."""
        turn = TurningPoint(turned[0], at, is_top, turned[1], abs(turned[1] - self._before))
        self._rising, self._before = not is_top, turned[1]
        self._top = self._bottom = (at, value)
        return turn
