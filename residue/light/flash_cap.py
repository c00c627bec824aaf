"""The cap on flashes: the only way from a lamp of the piece to the network.

WCAG 2.3.1 allows three flashes in any one second. A flash is a pair of opposing changes of relative luminance by at
least a tenth of its range; from red, of less. Which part of a visitor's view a lamp fills is not known in a room, nor
how the light of several lamps adds up there. So all lamps share their turns: at any moment either all may only rise,
or all may only fall, and at least TURN_S lie between two turns. Then the light rises and falls no more often than that
at any place, in whatever shares the lamps mix there, and whatever law their dimmers follow, as long as more means
brighter. Only what is too slow for any flash is free of this: FREE_PER_S.

Where the room names the colours of its lamps, the red flash is judged by colour: a saturated red has R / (R + G + B) of
0.8 or more, and a change of (R - G - B) x 320 by more than 20 counts, below 0 taken as 0. Within one turn R may rise
first and G and B after it, which is up and down. So wherever a fixture is redder than its other colours together,
before a step or after it, (R - G - B) has turns of its own, TURN_S apart as well: it may only rise or only fall, at any
place and for all dimmers. Elsewhere no mixture is a saturated red.

Within 1.19 s there are six turns at most, so seven changes, and those are three flashes: packets of a network may be
0.19 s late against each other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

import numpy as np
from numpy.typing import NDArray

TURN_S = 0.2
"""The least time from a turn to the next."""
FREE_PER_S = 0.025
"""A lamp may always move as fast as this, as a share of its range. In a second that is less than the 0.0625 by which
pure red has to change (WCAG, general flash and red flash thresholds), even if its dimmer is twice as steep as a line.
"""
LONGEST_STEP_S = 0.1
"""After a longer pause no more than this counts, so that no pause makes a jump free."""
TURN_FROM = 0.02
"""So far from what it wants a lamp must be before all turn for it; our choice."""
_SETTLED = 0.75
"""A code changes once it is off by so much, so that rounding does not flicker."""
FULL = 255
_COLOURS = 3
"""Of a fixture; what each moves for nothing adds up in R - G - B."""


class LightSeal:
    """Only the cap on flashes has it; without it no CappedLight can be made."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class CappedLight:
    """The brightness of every lamp, within the cap on flashes.

    codes: (lamps,), 0 to FULL, in the order of the lamps. Only residue.light.flash_cap makes them.
    """

    codes: NDArray[np.uint8]
    seal: LightSeal

    def __post_init__(self) -> None:
        if not isinstance(self.seal, LightSeal):
            raise TypeError("Only the cap on flashes can make a CappedLight")


class _Turns:
    """A direction that all share: it turns for whoever is furthest from what it wants."""

    def __init__(self, now_s: float) -> None:
        self.up = False
        self._turned_s = now_s - TURN_S

    def look(self, wanted: NDArray[np.float64], now_s: float) -> None:
        """wanted: (lamps,), how far up each wants to go."""
        higher, lower = float(wanted.max(initial=-inf)), float((-wanted).max(initial=-inf))
        along, against = (higher, lower) if self.up else (lower, higher)
        if against > max(TURN_FROM, along) and now_s - self._turned_s >= TURN_S:
            self.up, self._turned_s = not self.up, now_s


class FlashCap:
    """Brings lamps as near to the wanted brightness as no flash too many allows. They begin dark.

    reds: (fixtures, lamps), what each lamp adds to R - G - B of each fixture that has red, 1 for a full one. held: the
    steps in which a lamp was more than TURN_FROM away from what it wanted.
    """

    def __init__(self, lamps: int, now_s: float, reds: Sequence[Sequence[float]] = ()) -> None:
        self._shown = np.zeros(lamps)
        self._codes = np.zeros(lamps, np.uint8)
        self._reds = np.reshape(np.array(reds, np.float64), (-1, lamps))
        self._redder = np.where((self._reds > 0.0).any(axis=0), 1.0, -1.0)
        """By lamp, 1 where it makes light redder and -1 where it makes it less red."""
        self._light, self._redness, self._before_s = _Turns(now_s), _Turns(now_s), now_s
        self._seal = LightSeal()
        self.held = 0

    def __call__(self, wanted: Sequence[float] | NDArray[np.float64], now_s: float) -> CappedLight:
        """wanted: (lamps,), 0 to 1; what is no number counts as dark. now_s: monotonic, when it is sent."""
        aim = np.clip(np.nan_to_num(np.asarray(wanted, np.float64), nan=0.0, posinf=0.0, neginf=0.0), 0.0, 1.0)
        free = FREE_PER_S * min(max(0.0, now_s - self._before_s), LONGEST_STEP_S)
        self._before_s = max(self._before_s, now_s)
        self._light.look(aim - self._shown, self._before_s)
        moves = aim > self._shown if self._light.up else aim < self._shown
        shown = self._moved(aim, moves, free)
        if self._is_red(self._shown) or self._is_red(shown):
            redder = self._redder * (aim - self._shown)
            self._redness.look(redder, self._before_s)
            moves &= redder > 0.0 if self._redness.up else redder < 0.0
            shown = self._moved(aim, moves, free / _COLOURS)
        self._shown = shown
        self.held += int(np.abs(aim - self._shown).max(initial=0.0) > TURN_FROM)
        exact = FULL * self._shown
        settled = np.abs(exact - self._codes) <= _SETTLED
        self._codes = np.where(settled, self._codes, np.rint(exact)).astype(np.uint8)
        return CappedLight(self._codes, self._seal)

    def _moved(self, aim: NDArray[np.float64], moves: NDArray[np.bool_], free: float) -> NDArray[np.float64]:
        """Those that may move are where they want to be; the others as near as is free."""
        return np.where(moves, aim, np.clip(aim, self._shown - free, self._shown + free))

    def _is_red(self, shown: NDArray[np.float64]) -> bool:
        """Whether any fixture is redder than its other colours together."""
        return bool((self._reds @ shown > 0.0).any())
