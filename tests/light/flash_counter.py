"""Counts flashes by brute force. Written from the text of WCAG 2.2; it shares nothing with the program.

Sources: WCAG 2.2, success criterion 2.3.1 (no more than three flashes in any one-second period), and its definition of
general flash and red flash thresholds: a pair of opposing changes in relative luminance of 10 % or more of the maximum
where the darker image is below 0.80; a pair of opposing transitions that involve a saturated red, of which a change of
(R - G - B) x 320 above 20 is one; saturated where R / (R + G + B) is 0.8 or more, and below 0 taken as 0. The light is
taken to fill the whole view, as its area is unknown.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

GENERAL, DARKER_BELOW = 0.10, 0.80
RED = 20 / 320
"""For light of pure red, whose R is its luminance as a share of the range."""
_HAIR = 1e-9
"""A change of exactly the threshold counts, whatever the rounding."""


def changes(levels: Floats, least: float, darker_below: float) -> NDArray[np.int64]:
    """(eyes,): the most changes, each opposed to the one before, that (moments, eyes) has in its order."""
    count, way = np.zeros(levels.shape[1], np.int64), np.zeros(levels.shape[1], np.int64)
    low, high = levels[0].copy(), levels[0].copy()
    for level in levels[1:]:
        low, high = np.minimum(low, level), np.maximum(high, level)
        up = (way <= 0) & (level - low >= least - _HAIR) & (low < darker_below)
        down = ~up & (way >= 0) & (high - level >= least - _HAIR) & (level < darker_below)
        turned = up | down
        count += turned
        way = np.where(up, 1, np.where(down, -1, way))
        low, high = np.where(turned, level, low), np.where(turned, level, high)
    return count


def most_flashes(moments_s: Floats, levels: Floats, *, red: bool = False) -> int:
    """The most flashes that any eye sees in any one second that begins with one of the moments.

    levels: (moments, eyes).
    """
    least, darker_below = (RED, 2.0) if red else (GENERAL, DARKER_BELOW)
    most = 0
    for start, moment_s in enumerate(moments_s):
        within = levels[start : int(np.searchsorted(moments_s, moment_s + 1.0, "right"))]
        most = max(most, int(changes(within, least, darker_below).max()) // 2)
    return most


SATURATED = 0.8


def most_red_flashes(moments_s: Floats, colours: Floats) -> int:
    """The most red flashes that any eye sees in any one second. colours: (moments, eyes, 3), R, G and B.

    Of the states of a transition any may be the saturated one, so this finds more rather than less.
    """
    whole = colours.sum(axis=2)
    saturated = (whole > 0.0) & (colours[..., 0] >= SATURATED * whole)
    redness = np.clip(colours[..., 0] - colours[..., 1] - colours[..., 2], 0.0, None)
    return max(_red_flashes(moments_s, *eye) for eye in zip(redness.T, saturated.T, strict=True))


def _red_flashes(moments_s: Floats, redness: Floats, saturated: NDArray[np.bool_]) -> int:
    most = 0
    for start, moment_s in enumerate(moments_s):
        last = int(np.searchsorted(moments_s, moment_s + 1.0, "right"))
        count, way, low, high, involved = 0, 0, redness[start], redness[start], bool(saturated[start])
        for level, red in zip(redness[start:last], saturated[start:last], strict=True):
            low, high, involved = min(low, level), max(high, level), involved or bool(red)
            up, down = way <= 0 and level - low > RED - _HAIR, way >= 0 and high - level > RED - _HAIR
            if up or down:
                count += involved
                way, low, high, involved = 1 if up else -1, level, level, bool(red)
        most = max(most, count // 2)
    return most
