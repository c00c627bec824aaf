"""The vital signs that the watchdog examines, all of one moment."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Vitals:
    """The state of engine, house and machine."""

    monotonic_s: float
    frames: int = 0
    """Written by the engine since its start."""
    late_blocks: int = 0
    lost: str | None = None
    """Why the device is not there, or cannot be used."""
    device_wrong: bool = False
    """It is there, but is not what the room needs."""
    pace: float | None = None
    """Frames taken over the last while against the frames of that time; None while that is not known."""
    closed: bool = False
    """By the hours: a good moment to begin again."""
    may_sound: bool = True
    """Open and not held, or within the fade that ends it."""
    asked_peak: float = 0.0
    """Highest magnitude before the cap over the last second."""
    sent_peak: float = 0.0
    """Highest magnitude after it over the same."""
    direct_current: float = 0.0
    """Highest magnitude that an output held below 1 Hz, with one sign, over the last seconds sent."""
    start_still_s: float = 0.0
    """How long a performance that is about to begin has come no nearer to its beginning."""
    stuck_at: float = 0.0
    """Highest magnitude of an output of the graph that stood at one value for the whole last block."""
    governor_db: float = 0.0
    cut_hops: int = 0
    muted_frames: int = 0
    failures: int = 0
    """How often a performance failed within its graph since the start."""
    unplayable: int = 0
    planned: bool = True
    """The programme has a plan, or is being planned."""
    log_trouble: str | None = None
    disk_free_share: float = 1.0
    memory_bytes: int = 0
    too_often: int = 0
    """Datagrams at the control port that were more than one sender may send."""
    clock_doubt: str | None = None
    """Why the time of day cannot be relied on, and what the house goes by meanwhile."""
    temperature_c: float | None = None
    throttled: int = 0
    """How often the processor slowed itself down, as the kernel counts it."""
