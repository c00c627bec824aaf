"""Time, as it comes in from outside: so that a season can be simulated."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


@dataclass(frozen=True, slots=True)
class Uptime:
    """A moment that no setting of the clock moves; two of them compare within one boot of the machine."""

    boot: str
    seconds: float
    """Since then, sleep included."""


def uptime() -> Uptime:
    """Now. Where the machine does not name its boots, all look like one."""
    boot = _BOOT_ID.read_text().strip() if _BOOT_ID.exists() else ""
    return Uptime(boot, time.clock_gettime(time.CLOCK_BOOTTIME))


class Clock(Protocol):
    """Two times: the wall's, which people set, and one that only goes forward."""

    def now(self) -> datetime:
        """The time of day, aware, in UTC. May step."""

    def monotonic_s(self) -> float:
        """Seconds since some moment; never steps. Durations and deadlines are counted on it."""


class SystemClock:
    """The machine's own clocks."""

    def now(self) -> datetime:
        """The machine's time of day."""
        return datetime.now(UTC)

    def monotonic_s(self) -> float:
        """The machine's monotonic time."""
        return time.monotonic()
