"""The energy sent before a restart, from the level log. Where it is not known, the higher value counts."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SentRow:
    """One tally of the level log."""

    age_s: float
    """The time since the end of the tally, which is the latest moment of its sound. Below 0 counts as 0."""
    duration_s: float
    sent: Mapping[str, float]
    """The mean level by Ear.key, from Tally.sent."""


@dataclass(frozen=True, slots=True)
class Unlogged:
    """A time for which the log has no row, but in which sound may have been sent."""

    age_s: float
    """The time since its end; below 0 counts as 0."""
    duration_s: float


@dataclass(frozen=True, slots=True)
class SentHistory:
    """The energy that the governor must count before its first frame."""

    rows: Sequence[SentRow] = ()
    unlogged: Sequence[Unlogged] = ()
    """The governor assumes as much sound as the caps allowed, as late as possible."""
    unreadable: bool = False
    """The log could not be read: every cap counts as used up by the moment of the start."""
    ended_s: float = 0.0
    """The age of this history; it is added to every other age."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumption:
    """An energy that counts as sent for caps over one window, although no row shows it."""

    window_s: float
    assumed_s: float
    """The duration for which the most that the caps allow is assumed; the whole window if the history is lost."""
    left_s: float
    """The time from the start until the window contains none of it any more."""


NOTABLE_SHARE = 0.01
"""A share of a window: a smaller assumption has no audible effect."""


def assumptions(history: SentHistory, windows_s: Iterable[float]) -> Iterator[Assumption]:
    """The assumed energies, window by window, the shortest first."""
    for window_s in sorted(set(windows_s)):
        if history.unreadable:
            assumed_s, youngest_s = window_s, 0.0
        else:
            within = [one for one in history.unlogged if one.duration_s > 0.0 and one.age_s < window_s]
            assumed_s = min(window_s, math.fsum(one.duration_s for one in within))
            youngest_s = max(0.0, min((one.age_s for one in within), default=window_s))
        left_s = window_s - youngest_s - history.ended_s
        if assumed_s >= NOTABLE_SHARE * window_s and left_s > 0.0:
            yield Assumption(window_s=window_s, assumed_s=assumed_s, left_s=left_s)
