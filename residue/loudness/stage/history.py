"""Energy sent before a restart, as far as the log shows it; always counted against the house."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SentRow:
    """One tally of the level log."""

    age_s: float
    """Since the end of the tally: the latest moment at which what it counts can have been sent. Below 0 counts as 0."""
    duration_s: float
    sent: Mapping[str, float]
    """Mean level by Ear.key, as Tally.sent gave it."""


@dataclass(frozen=True, slots=True)
class Unlogged:
    """A time in which something may have been sent that no row tells."""

    age_s: float
    """Since its end; below 0 counts as 0."""
    duration_s: float


@dataclass(frozen=True, slots=True)
class SentHistory:
    """The energy that the governor must count before its first frame."""

    rows: Sequence[SentRow] = ()
    unlogged: Sequence[Unlogged] = ()
    """The governor assumes as much as the caps allowed, as late as may be."""
    unreadable: bool = False
    """The log could not be read: every cap counts as used up by the moment of the start."""
    ended_s: float = 0.0
    """How long ago all this was noted; every age grows by it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumption:
    """An energy that caps over one window count as sent although no row shows it."""

    window_s: float
    assumed_s: float
    """For so long the most that the caps allow is assumed; the whole window where the history is lost."""
    left_s: float
    """From the start on, until none of it lies within the window any more."""


NOTABLE_SHARE = 0.01
"""Of a window: less than that lowers nothing that anybody hears."""


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
