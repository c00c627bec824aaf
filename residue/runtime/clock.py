"""Time, as it comes in from outside: so that a season can be simulated."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Protocol


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
