"""Time as an input from outside, so that a season can be simulated."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Protocol
from uuid import UUID

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
_OF_UNIT = "RESIDUE_BOOT_ID"
"""The unit sets it, as it hides that file."""


@dataclass(frozen=True, slots=True)
class Uptime:
    """A moment that does not depend on the clock; two of them can be compared within one boot of the machine."""

    boot: str
    seconds: float
    """The seconds since the boot, with the time in sleep."""


def uptime() -> Uptime:
    """The present moment. boot is empty if the machine does not name its boots."""
    return Uptime(_boot(), time.clock_gettime(time.CLOCK_BOOTTIME))


@cache
def _boot() -> str:
    """Read once: no process outlives a boot, and the loop of the house asks where no more files can be opened."""
    if _BOOT_ID.exists():
        return _BOOT_ID.read_text().strip()
    return str(UUID(told)) if (told := os.environ.get(_OF_UNIT)) else ""


class Clock(Protocol):
    """Two clocks: the wall clock, which people set, and one that only moves forward."""

    def now(self) -> datetime:
        """The time of day, aware, in UTC. May step."""

    def monotonic_s(self) -> float:
        """Seconds since some moment; it never steps. Use it for durations and deadlines."""


class SystemClock:
    """The machine's own clocks."""

    def now(self) -> datetime:
        """The machine's time of day."""
        return datetime.now(UTC)

    def monotonic_s(self) -> float:
        """The machine's monotonic time."""
        return time.monotonic()
