"""Vital signs of the machine."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

_THERMAL = Path("/sys/class/thermal")
_PROCESSES = Path("/proc")
_PROCESSORS = Path("/sys/devices/system/cpu")
_FIRMWARE = Path("/sys/devices/platform/soc/soc:firmware/get_throttled")
_THROTTLED_NOW = 0b1110
"""Frequency capped, throttled, soft temperature limit active: Raspberry Pi documentation, vcgencmd get_throttled."""


@dataclass(frozen=True, slots=True)
class Conditions:
    """All conditions of the machine that the watchdog checks, at one moment."""

    disk_free_share: float = 1.0
    memory_bytes: int = 0
    temperature_c: float | None = None
    throttled: int = 0


def conditions(folder: Path) -> Conditions:
    """The present conditions; the disk is that of `folder`."""
    return Conditions(disk_free_share(folder), memory_bytes(), temperature_c(), throttled())


def disk_free_share(folder: Path) -> float:
    """The free share of the disk that holds a folder, 0 to 1; 0 where the system does not report it."""
    try:
        found = os.statvfs(folder)
    except OSError:
        return 0.0
    return found.f_bavail / found.f_blocks if found.f_blocks else 0.0


def memory_bytes(process: int | str = "self") -> int:
    """Resident memory of a process without mapped files, which the kernel can free; 0 where it is not known."""
    try:
        lines = (_PROCESSES / str(process) / "status").read_text().splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) * 1024 for line in lines if line.startswith("RssAnon:")), 0)


def temperature_c() -> float | None:
    """The temperature of the hottest sensor; None without a sensor."""
    found: list[float] = []
    for sensor in _files(_THERMAL, "thermal_zone*/temp"):
        try:
            found.append(int(sensor.read_text()) / 1000)
        except (OSError, ValueError):
            continue
    return max(found, default=None)


def throttled() -> int:
    """The number of times that the processor was throttled since boot.

    On boards that only report the present state it is 1 while the processor is throttled.

    Source: core_throttle_count of the kernel's documentation (x86 thermal); on a Raspberry Pi the firmware's flags.
    """
    counted = 0
    for counter in _files(_PROCESSORS, "cpu[0-9]*/thermal_throttle/*_throttle_count"):
        counted += _number(counter, 10)
    return counted + bool(_number(_FIRMWARE, 16) & _THROTTLED_NOW)


def _files(folder: Path, pattern: str) -> list[Path]:
    try:
        return sorted(folder.glob(pattern))
    except OSError:  # no more files can be opened
        return []


def _number(path: Path, base: int) -> int:
    try:
        return int(path.read_text(), base)
    except (OSError, ValueError):
        return 0
