"""Events that reach the house, the view that it has of the world, and the actions that it requests.

An action says what shall be so and is repeated until the engine's view shows it: repeating one that is being done, or
is done, changes nothing. So nothing is lost with a message, and an engine that was rebuilt comes into step by itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from math import inf
from zoneinfo import ZoneInfo

from residue.schedule.opening import Opening

# What comes in.


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
    """A person wants to go on: a rest ends; otherwise the present or next performance is skipped."""

    by: str


@dataclass(frozen=True, slots=True)
class Trim:
    """A person wants it lower by so much; bounded to TRIM_LOWEST_DB .. TRIM_HIGHEST_DB."""

    db: float
    by: str


@dataclass(frozen=True, slots=True)
class Renew:
    """The performance that plays was exchanged for another, which is to begin at once."""

    by: str


Event = Tick | Hold | Release | Next | Trim | Renew


@dataclass(frozen=True, slots=True)
class EngineView:
    """The engine's report at one moment."""

    turn: int = 0
    """The number of the last Start it acted on; 0 before the first."""
    sounding: bool = False
    """The turn is under way: not ended, and not yet faded out. A quiet passage counts; so does an unheard one."""
    playhead_s: float = 0.0
    """Place in the performance; it stays where the turn stopped."""
    trim_db: float = 0.0
    """As it was last set."""
    ready: frozenset[str] = frozenset()
    """Performances that can start at once: checked, prepared, planned."""
    duration_s: Mapping[str, float] = field(default_factory=dict)
    """How long performances last, of those whose length is known."""
    unplayable: Mapping[str, str] = field(default_factory=dict)
    """Performances that can never start as they are, and why."""
    fault: str | None = None
    """Why nothing can be heard now, whatever the house does: a lost device, say."""


@dataclass(frozen=True, slots=True)
class World:
    """The world outside the house at one moment."""

    now: datetime
    monotonic_s: float
    opening: Opening | None
    """The opening under way by the hours."""
    engine: EngineView
    zone: ZoneInfo
    """The zone of the place, in which the programme's times are meant."""


# What goes out.


@dataclass(frozen=True, slots=True)
class Prepare:
    """Make this performance ready (or find it unplayable); repeated on every tick until it is either."""

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
    """Whether it follows what was played before in an order that the hours give, and that plans are made for."""


@dataclass(frozen=True, slots=True)
class FadeOut:
    """Be silent within so many seconds and end the turn there; while fading it can only shorten the fade."""

    seconds: float


@dataclass(frozen=True, slots=True)
class SetTrim:
    """Lower everything by so much, in small steps that nobody hears."""

    db: float


@dataclass(frozen=True, slots=True)
class Log:
    """A line for the event log; `kind` is the new state, or hold, release, next, trim, or skipped."""

    kind: str
    text: str


Action = Prepare | Start | FadeOut | SetTrim | Log
