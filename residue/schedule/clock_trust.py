"""Decides whether the machine's time of day is reliable, and what the house does if it is not.

A machine without a battery clock comes up in the wrong year, and nobody tells it until the network is there.

    synchronised   a time service of the system says so now
    carried        a service said so before, and the clock has not stepped since; or a battery kept the time, or there
                   is nobody to ask, and at the start the clock showed no time that had already been
    unsure         otherwise
"""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from pathlib import Path
from typing import Literal

from residue.schedule.calendar import Calendar
from residue.schedule.opening import Opening
from residue.schedule.spans import local

STEP_S = 2.0
"""A wall clock that leaves the monotonic one by more between two looks was set; less is the slewing of a service."""
EARLIEST = datetime(2026, 11, 1, tzinfo=UTC)
"""With this version no correct clock shows an earlier time."""
_RTC = Path("/sys/class/rtc/rtc0/hctosys")
"""Contains 1 if the kernel took its time from this battery clock at the start (Linux, rtc-sysfs documentation)."""
_TIMESYNC_MARK = Path("/run/systemd/timesync/synchronized")
"""Present once systemd-timesyncd has set the clock (systemd-timesyncd.service(8)); its folder exists while the service
runs.
"""


class ClockTrust(StrEnum):
    """The reliability of the time of day."""

    SYNCHRONISED = "synchronised"
    CARRIED = "carried"
    UNSURE = "unsure"


@dataclass(frozen=True, slots=True)
class Timekeeping:
    """The present knowledge of the clock."""

    trust: ClockTrust = ClockTrust.UNSURE
    now: datetime | None = None
    """The time of day at the last look."""
    monotonic_s: float = 0.0
    """The same moment on the monotonic clock."""
    last_known: datetime | None = None
    """The latest reliable time of day; the memory of the house keeps it over a restart."""


@dataclass(frozen=True, slots=True)
class Witnesses:
    """The machine's own evidence on its clock."""

    service: bool | None
    """Whether a time service has set it; None where there is no such service, as in a container."""
    battery: bool
    """Whether a battery clock kept the time while the machine was off."""


def look(before: Timekeeping, now: datetime, monotonic_s: float, witnesses: Witnesses) -> Timekeeping:
    """The knowledge of the clock after another look."""
    trust = ClockTrust.SYNCHRONISED if witnesses.service else _without_service(before, now, monotonic_s, witnesses)
    known = now if trust is not ClockTrust.UNSURE else before.last_known
    if trust is ClockTrust.UNSURE and known is not None and before.now is not None:
        known += timedelta(seconds=max(0.0, monotonic_s - before.monotonic_s))
    return Timekeeping(trust, now, monotonic_s, known)


def _without_service(before: Timekeeping, now: datetime, monotonic_s: float, witnesses: Witnesses) -> ClockTrust:
    was_sure = before.now is not None and before.trust is not ClockTrust.UNSURE
    if witnesses.battery or witnesses.service is None:
        return ClockTrust.CARRIED if was_sure or now >= (before.last_known or EARLIEST) else ClockTrust.UNSURE
    if not was_sure or before.now is None:
        return ClockTrust.UNSURE
    expected = before.now + timedelta(seconds=monotonic_s - before.monotonic_s)
    return ClockTrust.CARRIED if abs((now - expected).total_seconds()) <= STEP_S else ClockTrust.UNSURE


def opening_by(
    calendar: Calendar, known: Timekeeping, now: datetime, when_unsure: Literal["closed", "open", "last known"]
) -> Opening | None:
    """The present opening, by the curator's choice for an unreliable clock."""
    if known.trust is not ClockTrust.UNSURE:
        return calendar.opening_at(now)
    return _WHEN_UNSURE[when_unsure](calendar, known, now)


def _closed(_calendar: Calendar, _known: Timekeeping, _now: datetime) -> Opening | None:
    return None


def _open(calendar: Calendar, _known: Timekeeping, now: datetime) -> Opening | None:
    day = local(now, calendar.zone).replace(hour=0, minute=0, second=0, microsecond=0)
    return Opening(day, day + timedelta(days=1), "open while the clock is unsure")


def _last_known(calendar: Calendar, known: Timekeeping, now: datetime) -> Opening | None:
    """The opening by the last reliable time plus the time since then, in terms of the present clock."""
    if known.last_known is None or known.now is None:
        return None
    ahead = known.now - known.last_known
    opening = calendar.opening_at(now - ahead)
    if opening is None:
        return None
    return replace(opening, opens=opening.opens + ahead, closes=opening.closes + ahead)


_WHEN_UNSURE: dict[str, Callable[[Calendar, Timekeeping, datetime], Opening | None]] = {
    "closed": _closed,
    "open": _open,
    "last known": _last_known,
}


def witnesses(mark: Path = _TIMESYNC_MARK, rtc: Path = _RTC) -> Witnesses:
    """Asks the machine; this takes up to a tenth of a second, so do not call it on every tick."""
    try:
        battery = rtc.read_text().strip() == "1"
    except OSError:
        battery = False
    return Witnesses(mark.exists() if mark.parent.exists() else _timedatectl(), battery)


def _timedatectl() -> bool | None:
    """Any time service as timedatectl(1) knows it; a unit with ProtectClock=yes may not ask the kernel directly.

    The bus of Debian 12 does not answer a unit with DynamicUser=yes, because it cannot find such a user.
    """
    command = ("timedatectl", "show", "--property=NTPSynchronized", "--value")
    try:
        answer = subprocess.run(command, capture_output=True, text=True, timeout=5, check=True)
    except (OSError, subprocess.SubprocessError):
        return None
    return answer.stdout.strip() == "yes"
