"""The energy sent before a restart, from the level log. Where it is not known, the higher value counts."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import KW_ONLY, dataclass, field
from enum import IntEnum


@dataclass(frozen=True, slots=True)
class SentRow:
    """One tally of the level log."""

    age_s: float
    """The time since the end of the tally, which is the latest moment of its sound. Below 0 counts as 0."""
    duration_s: float
    sent: Mapping[str, float]
    """The mean level by Ear.key, from Tally.sent, and beside it the limits of Tally.limits (`with_limits`)."""


@dataclass(frozen=True, slots=True)
class LimitThen:
    """The limit of a cap over a window, as it was in force when a row was written."""

    ear: str
    """Its Ear.key."""
    window_s: float
    level: float


_LIMIT, _OF = "limit over ", " s of "


def with_limits(sent: Mapping[str, float | None], limits: Iterable[LimitThen]) -> dict[str, float | None]:
    """What a row tells: the levels at ears, and the limits under names of their own, which no ear has."""
    return {**sent, **{f"{_LIMIT}{one.window_s:g}{_OF}{one.ear}": one.level for one in limits}}


def limits_in(sent: Mapping[str, float]) -> Iterator[LimitThen]:
    """The limits that a row tells; of most rows none."""
    for name, level in sent.items():
        if name.startswith(_LIMIT):
            window_s, _, ear = name.removeprefix(_LIMIT).partition(_OF)
            yield LimitThen(ear, float(window_s), level)


class LogLag(IntEnum):
    """What the log does not tell yet of a run that plays; false where it tells enough."""

    NONE = 0
    ROWS = 1
    """It tells that the run has begun, but too little of what was sent."""
    RUN = 2
    """It does not tell that the run has begun."""


SPARED_SHARE = 0.5
"""While nothing is written down, no hop may use more than this share of the limit's energy: 3.01 dB below the limit.
So what is sent unseen sums up to no more than this share of any budget, however often the power fails meanwhile.
"""
UNTOLD_SHARE = 0.1
"""The same for a run of which the log tells nothing at all, after a run with an end. Each start counts it for all the
time since that end, so it must be so little that nobody hears it: it takes 0.46 dB of a budget at most.
"""


@dataclass(frozen=True, slots=True)
class Unlogged:
    """A time for which the log has no row, but in which sound may have been sent."""

    age_s: float
    """The time since its end; below 0 counts as 0."""
    duration_s: float
    limits: tuple[LimitThen, ...] = ()
    """Those in force at the last row before it: no later ones can have let more through, as only a start loosens a cap,
    and it begins with a row. A cap on an ear that none of them limits counts as in force with its present limit.
    """
    _: KW_ONLY
    share: float = SPARED_SHARE
    """Of a time that is spared: the most of a limit that a hop used in it."""


@dataclass(frozen=True, slots=True)
class SentHistory:
    """The energy that the governor must count before its first frame."""

    rows: Sequence[SentRow] = ()
    unlogged: Sequence[Unlogged] = ()
    """The governor assumes as much sound as the caps allowed, as late as possible."""
    spared: Sequence[Unlogged] = ()
    """Times for which no row was written down, in which each hop used at most a share of what a cap allows."""
    untold: Unlogged = field(default_factory=lambda: Unlogged(0.0, 0.0, share=UNTOLD_SHARE))
    """What the next start would count for this run if the log never told of it: the share and the limits."""
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
    spared_s: float = 0.0
    """The duration for which SPARED_SHARE is assumed."""
    untold_s: float = 0.0
    """The duration for which UNTOLD_SHARE is assumed."""
    left_s: float
    """The time from the start until the window contains none of it any more."""

    @property
    def audible(self) -> bool:
        """Whether it can lower anything that somebody hears: what is untold alone takes 0.5 dB at most."""
        return self.assumed_s + SPARED_SHARE * self.spared_s >= NOTABLE_SHARE * self.window_s


NOTABLE_SHARE = 0.01
"""A share of a window: a smaller assumption has no audible effect."""


def assumptions(history: SentHistory, windows_s: Iterable[float]) -> Iterator[Assumption]:
    """The assumed energies, window by window, the shortest first."""
    untold = [one for one in history.spared if one.share == UNTOLD_SHARE]
    spared = [one for one in history.spared if one.share != UNTOLD_SHARE]
    for window_s in sorted(set(windows_s)):
        if history.unreadable:
            assumed_s, spared_s, untold_s, youngest_s = window_s, 0.0, 0.0, 0.0
        else:
            assumed_s, spared_s, untold_s = (_within(told, window_s) for told in (history.unlogged, spared, untold))
            ages_s = [one.age_s for one in (*history.unlogged, *history.spared) if one.duration_s > 0.0]
            youngest_s = max(0.0, min(ages_s, default=window_s))
        left_s = window_s - youngest_s - history.ended_s
        most_s = assumed_s + SPARED_SHARE * spared_s + UNTOLD_SHARE * untold_s
        if most_s >= NOTABLE_SHARE * window_s and left_s > 0.0:
            yield Assumption(
                window_s=window_s, assumed_s=assumed_s, spared_s=spared_s, untold_s=untold_s, left_s=left_s
            )


def _within(told: Iterable[Unlogged], window_s: float) -> float:
    """The seconds of some times that are within a window."""
    return min(window_s, math.fsum(max(0.0, min(one.duration_s, window_s - max(0.0, one.age_s))) for one in told))
