"""What the cap stage tells of itself: levels now, caps, gains, and what was sent since it was last asked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Levels:
    """Levels at one place, of the last 0.1 s sent; dB re 20 uPa if `physical`, else dBFS. -inf for silence."""

    a: float
    c: float
    z: float
    c_peak: float
    physical: bool


@dataclass(frozen=True, slots=True)
class CapReading:
    """How near one cap is."""

    name: str
    level: float
    """Over the cap's own window up to now; for a peak cap the peak of the last 0.1 s."""
    limit: float
    unit: str

    @property
    def headroom_db(self) -> float:
        """What is left to the limit."""
        return self.limit - self.level


@dataclass(frozen=True, slots=True)
class Reading:
    """The cap stage at the last frame that it gave."""

    place: Levels
    outputs: Mapping[str, Levels]
    caps: tuple[CapReading, ...]
    governor_db: float
    """What the governor takes away now; 0.0 while it does not act, below 0 when it does."""
    limiter_db: float
    """The most that the limiter took away in the last 0.1 s."""
    muted_frames: int
    """Frames since the start that were not finite and were muted."""
    cut_hops: int
    """Tenths of a second that had to be silenced because no gain would have kept the caps."""


@dataclass(frozen=True, slots=True)
class Tally:
    """What was sent since the last tally; one becomes a row of the level log, and the history after a restart."""

    duration_s: float
    laeq: float
    lceq: float
    lc_peak: float
    physical: bool
    """Levels are in dB re 20 uPa at the visitor's place, else in dBFS."""
    governor_db: float
    """The lowest gain of the governor."""
    limiter_db: float
    """The lowest gain of the limiter."""
    muted_frames: int
    sent: Mapping[str, float]
    """Mean level by what the caps listen to (Ear.key), for SentHistory; -inf where nothing was sent."""
