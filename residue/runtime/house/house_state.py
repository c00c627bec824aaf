"""The memory of the house, and its state for people."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from math import inf, isinf

from residue.runtime.house.exchange import Action, World
from residue.schedule.opening import Opening
from residue.schedule.programme import Programme, item

FADE_S = 4.0
"""The length of a fade-out where there is time for it: fast enough to obey, slow enough not to startle. Our choice."""
START_GRACE_S = 60.0
"""If the house starts so shortly after an opening, or after a listed time, it acts as if it were on time."""
LATE_FADE_S = 0.15
"""The length of a fade-out when sound is found outside the hours. With the tick before it, and the sound in cap stage
and device after it, it must be over within a second.
"""
BEFORE_CLOSING_S = 1.0
"""The last fade ends so long before closing, because the sound in the buffer of the device is heard later."""
TRIM_LOWEST_DB = -40.0
TRIM_HIGHEST_DB = 0.0
"""A trim only lowers: nothing at run time can raise a level above the plan's."""


class State(StrEnum):
    """The state of the house as the status shows it."""

    CLOSED = "closed"
    OPENING = "opening"
    PLAYING = "playing"
    RESTING = "resting"
    HELD = "held"
    FAULTED = "faulted"


MAY_SOUND = frozenset({State.PLAYING, State.OPENING})
"""In the second state, the skipped performance still fades out."""


@dataclass(frozen=True, slots=True)
class Place:
    """The place at which the programme of an opening continues."""

    opening: Opening
    index: int
    from_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class House:
    """Everything that the house remembers."""

    state: State = State.CLOSED
    since: datetime | None = None
    """The time at which it entered this state, or began this turn."""
    opening: Opening | None = None
    """The opening that `index` counts in; the last one, while closed."""
    before: Place | None = None
    """The place at which the opening before that one was left; after steps of the clock there and back, both
    continue.
    """
    index: int = 0
    """The place in the programme of that opening: that of the present performance, else of the next."""
    under_way: bool = False
    """Whether a turn was started and has not ended."""
    turn: int = 0
    """The number of the last turn started."""
    from_s: float = 0.0
    """The place in the performance at which that turn began, or the next begins."""
    in_order: bool = True
    """Whether it follows the performance before in the order of the hours: not after `next`, or when a turn begins
    again.
    """
    rest_until_s: float = -inf
    """The end of a rest, on the monotonic clock."""
    not_before: datetime | None = None
    """The time at which the next performance may begin, by the wall clock, where the programme has times."""
    begins: datetime | None = None
    """The time at which the present or next performance begins in every room in step; None in a house alone."""
    closes_s: float = inf
    """The time of closing, on the monotonic clock: it distinguishes closing time from a step of the wall clock."""
    held_by: str | None = None
    held_until_s: float = inf
    """The time at which the hold ends by itself, on the monotonic clock; inf: only a person releases it."""
    trim_db: float = 0.0
    trimmed_by: str | None = None
    """The person or machine that set the trim last; None without a trim."""
    reason: str = ""
    """The reason for this state, in words for people."""


Transition = tuple[House, tuple[Action, ...]]


def hold_ends(house: House, now: datetime, monotonic_s: float) -> datetime | None:
    """When the hold ends by itself; None without a hold, and where only a person ends it."""
    if house.held_by is None or isinf(house.held_until_s):
        return None
    return now + timedelta(seconds=house.held_until_s - monotonic_s)


def left_s(world: World) -> float:
    """Seconds in which the house may still sound in this opening, or in the one that follows it without a break."""
    if world.opening is None:
        return 0.0
    if world.opening.goes_on:
        return inf
    return max(0.0, (world.opening.closes - world.now).total_seconds() - BEFORE_CLOSING_S)


def waits(house: House, world: World) -> bool:
    """Whether the programme wants silence now."""
    before_time = house.not_before is not None and world.now < house.not_before
    return before_time or world.monotonic_s < house.rest_until_s


def performance_at(house: House, programme: Programme, index: int | None = None) -> str:
    """The performance at a place in the programme of the opening; without a place, at that of the house."""
    if house.opening is None:
        raise ValueError("A programme belongs to an opening.")
    return item(programme, house.opening, house.index if index is None else index).performance
