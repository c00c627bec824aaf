"""The engine's report after each block."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from residue.loudness.stage.readings import Reading
from residue.mapping.trust import BodyReading
from residue.output.in_step import Skew


@dataclass(frozen=True, slots=True)
class Failure:
    """A performance whose graph failed, or that could not begin."""

    why: str
    at_s: float
    """The last time, on the monotonic clock."""
    times: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """The engine's report after each block."""

    frames: int = 0
    """The frames written since the start: the heartbeat."""
    turn: int = 0
    performance: str | None = None
    """The performance under way."""
    playhead_s: float = 0.0
    section: str | None = None
    readings: Mapping[str, BodyReading] = field(default_factory=dict)
    """The readings of the performer's body, by node."""
    trim: float = 1.0
    plan_gain: float = 1.0
    asked_peak: float = 0.0
    """The highest magnitude that entered the cap stage in the last PEAKS_S."""
    sent_peak: float = 0.0
    """The highest magnitude that left it in that time and was written."""
    direct_current: float = 0.0
    """The highest direct current of an output in the written sound (DirectCurrentMeter)."""
    stuck_at: float = 0.0
    """The highest magnitude of an output of the graph that had one value for the whole block."""
    reading: Reading | None = None
    """The levels, up to half a second old; None before the first."""
    tone: bool = False
    """Whether a check tone sounds, or did a moment ago."""
    late_blocks: int = 0
    lost: str | None = None
    device_wrong: bool = False
    losses: int = 0
    astray: bool = False
    """Whether the sink is to keep step with the clock, and does not."""
    skew: Skew | None = None
    """How far it is from the clock; None while nobody knows."""
    busy: float = 0.0
    """The computing time of the last blocks, as a share of real time."""
    failures: Mapping[str, Failure] = field(default_factory=dict)
    """The failures, by performance."""
