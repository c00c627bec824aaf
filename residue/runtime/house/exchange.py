"""Events that reach the house, the view that it has of the world, and the actions that it requests.

An action states a wanted state and is repeated until the engine's view shows it. A repetition during or after the
action changes nothing. So a lost message does no harm, and a rebuilt engine gets its orders again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from math import inf
from zoneinfo import ZoneInfo

from residue.schedule.agenda import AgendaEntry
from residue.schedule.opening import Opening

# Input.


@dataclass(frozen=True, slots=True)
class Tick:
    """Time has passed; sent often, on the monotonic clock, and whenever something may have changed."""


@dataclass(frozen=True, slots=True)
class Hold:
    """A person wants silence until they release it, or for some seconds; the longest of several holds counts."""

    by: str
    for_s: float = inf


@dataclass(frozen=True, slots=True)
class Release:
    """A person ends the hold."""

    by: str


@dataclass(frozen=True, slots=True)
class Next:
    """A person wants to continue: a rest ends; otherwise the present or next performance is skipped."""

    by: str


@dataclass(frozen=True, slots=True)
class Trim:
    """A person wants a lower level, by so much; bounded to TRIM_LOWEST_DB .. TRIM_HIGHEST_DB."""

    db: float
    by: str


@dataclass(frozen=True, slots=True)
class Renew:
    """The present performance was replaced by another, which is to begin at once."""

    by: str


Event = Tick | Hold | Release | Next | Trim | Renew


@dataclass(frozen=True, slots=True)
class EngineView:
    """The engine's report at one moment."""

    turn: int = 0
    """The number of the last Start that it carried out; 0 before the first."""
    sounding: bool = False
    """Whether the turn is under way: not ended, and not yet faded out. Quiet or inaudible passages count too."""
    playhead_s: float = 0.0
    """The place in the performance; after the turn, the place where it stopped."""
    trim_db: float = 0.0
    """The trim that was set last."""
    ready: frozenset[str] = frozenset()
    """Performances that can start at once: checked, prepared, planned."""
    duration_s: Mapping[str, float] = field(default_factory=dict)
    """The lengths of performances, where known."""
    unplayable: Mapping[str, str] = field(default_factory=dict)
    """Performances that cannot start in their present state, each with the reason."""
    fault: str | None = None
    """The reason why nothing can be heard now, such as a lost device."""


@dataclass(frozen=True, slots=True)
class World:
    """The world outside the house at one moment."""

    now: datetime
    monotonic_s: float
    opening: Opening | None
    """The present opening by the hours."""
    engine: EngineView
    zone: ZoneInfo
    """The zone of the place, for the times of the programme."""
    lowered_db: float = 0.0
    """By how much the house is lowered because the room is louder than it was; never above 0."""
    timetable: Sequence[AgendaEntry] | None = None
    """When each performance of the opening begins, for a room in step; None for one that plays alone."""


# Output.


@dataclass(frozen=True, slots=True)
class Prepare:
    """Make this performance ready, or find it unplayable; repeated on every tick until one of the two is true."""

    performance: str


@dataclass(frozen=True, slots=True)
class Start:
    """Begin a turn: play this performance from `from_s` on, fading in where that is not its beginning.

    Where another turn is under way, with a crossfade from it.

    Repeated until the engine's view shows the turn; an engine that cannot do it shows the turn as not sounding.
    """

    turn: int
    performance: str
    from_s: float
    in_order: bool = True
    """Whether it follows the performance before in an order of the hours, for which plans are made."""
    begins: datetime | None = None
    """In a room in step, when the beginning of the performance is heard: `from_s` is then only near the place."""


@dataclass(frozen=True, slots=True)
class FadeOut:
    """Fade to silence within so many seconds and end the turn; during a fade it can only shorten the fade."""

    seconds: float


@dataclass(frozen=True, slots=True)
class SetTrim:
    """Lower everything by so much, in inaudible steps."""

    db: float


@dataclass(frozen=True, slots=True)
class Log:
    """A line for the event log; `kind` is the new state, or hold, release, next, trim, or skipped."""

    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class Respond:
    """Tell the person who asked what the house does now, in a sentence or two."""

    text: str


Action = Prepare | Start | FadeOut | SetTrim | Log | Respond
