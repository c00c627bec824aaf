"""The memory that is free, for files that are read whole."""

from __future__ import annotations

from pathlib import Path

from residue.problems import stopping

_MEMORY = Path("/proc/meminfo")


def check_memory(path: Path, needed_bytes: int, mend: str) -> None:
    """Raises ProblemError where a file would not fit: the kernel ends a process that asks for too much."""
    free_bytes = memory_free_bytes()
    if free_bytes is not None and needed_bytes > free_bytes:
        needed_gb, free_gb = needed_bytes / 1e9, free_bytes / 1e9
        what = f"Reading it takes up to {needed_gb:.1f} GB of memory at once, and {free_gb:.1f} GB are free."
        raise stopping(path.name, what, mend)


def memory_free_bytes() -> int | None:
    """The memory that programs can use without swapping; None where the kernel does not report it."""
    try:
        lines = _MEMORY.read_text().splitlines()
    except OSError:
        return None
    return next((int(line.split()[1]) * 1024 for line in lines if line.startswith("MemAvailable:")), None)
