"""What the machine tells of itself."""

from __future__ import annotations

import os
from pathlib import Path

_THERMAL = Path("/sys/class/thermal")
_STATUS = Path("/proc/self/status")


def disk_free_share(folder: Path) -> float:
    """What is free of the disk that a folder lies on, 0 to 1; 0 where it cannot be asked."""
    try:
        found = os.statvfs(folder)
    except OSError:
        return 0.0
    return found.f_bavail / found.f_blocks if found.f_blocks else 0.0


def memory_bytes() -> int:
    """Resident memory of this process without mapped files, which the kernel takes back; 0 where it is not told."""
    try:
        lines = _STATUS.read_text().splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) * 1024 for line in lines if line.startswith("RssAnon:")), 0)


def temperature_c() -> float | None:
    """Of the hottest sensor; None where there is none."""
    found: list[float] = []
    for sensor in sorted(_THERMAL.glob("thermal_zone*/temp")):
        try:
            found.append(int(sensor.read_text()) / 1000)
        except (OSError, ValueError):
            continue
    return max(found, default=None)
