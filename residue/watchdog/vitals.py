"""The vital signs that the watchdog examines, all of one moment."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Vitals:
    """The state of engine, house and machine."""

    monotonic_s: float
    frames: int = 0
    """The frames written by the engine since its start."""
    late_blocks: int = 0
    lost: str | None = None
    """The reason why the device is missing or cannot be used."""
    device_wrong: bool = False
    """Whether the device is there, but unsuitable for the room."""
    pace: float | None = None
    """The frames taken recently, divided by the frames of that time; None while it is not known."""
    closed: bool = False
    """Whether the house is closed by the hours: a good moment for a restart."""
    may_sound: bool = True
    """Whether the house is open and not held, or within the fade at its end."""
    asked_peak: float = 0.0
    """The highest magnitude before the cap in the last second."""
    sent_peak: float = 0.0
    """The highest magnitude after the cap in the same time."""
    direct_current: float = 0.0
    """The highest magnitude of an output below 1 Hz, with one sign, in the last seconds sent."""
    start_still_s: float = 0.0
    """The time since the last progress of a performance that is about to begin."""
    stuck_at: float = 0.0
    """The highest magnitude of an output of the graph that had one value for the whole last block."""
    governor_db: float = 0.0
    assumed: bool = False
    """Whether the caps count sound before the start that no row shows."""
    cut_hops: int = 0
    muted_frames: int = 0
    failures: int = 0
    """The number of failures of a performance within its graph since the start."""
    unplayable: int = 0
    planned: bool = True
    """Whether the programme has a plan, or is being planned."""
    log_trouble: str | None = None
    disk_free_share: float = 1.0
    memory_bytes: int = 0
    too_often: int = 0
    """The datagrams at the control port beyond the allowance of a sender."""
    clock_doubt: str | None = None
    """The reason why the time of day is not reliable, and the clock that the house uses meanwhile."""
    temperature_c: float | None = None
    throttled: int = 0
    """The number of times that the processor was throttled, from the kernel."""
