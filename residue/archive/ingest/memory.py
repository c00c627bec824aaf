"""The memory that is free, for files that are read whole."""

from __future__ import annotations

from pathlib import Path

_MEMORY = Path("/proc/meminfo")


def memory_free_bytes() -> int | None:
    """The memory that programs can use without swapping; None where the kernel does not report it."""
    try:
        lines = _MEMORY.read_text().splitlines()
    except OSError:
        return None
    return next((int(line.split()[1]) * 1024 for line in lines if line.startswith("MemAvailable:")), None)
