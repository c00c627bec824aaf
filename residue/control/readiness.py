"""The morning check: whether a running house is ready for its opening."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from typing import Any

import residue

AHEAD = timedelta(days=2)
"""A house that opens later than this may have lost its hours."""


def obstacles(told: Mapping[str, Any]) -> Iterator[str]:
    """All reasons in a status why the house is not ready, one sentence each.

    Raises KeyError or TypeError for a status of another version.
    """
    health = told["health"]
    if health["version"] != residue.__version__:
        yield (
            f"The house runs version {health['version']}, and version {residue.__version__} is installed. "
            "Restart it: sudo systemctl restart residue."
        )
    yield from health["attention"]
    if health["planning"]:
        yield f"{health['planning']} is still being made ready. Ask again when `residue status` no longer says so."
    if not health["ears_known"]:
        yield "Levels at the ear are unknown. Calibrate every output: residue calibrate."
    if not told["open"]:
        now, opens = datetime.fromisoformat(told["now"]), told["opens"]
        if opens is None or datetime.fromisoformat(opens) - now > AHEAD:
            yield f"It does not open within {AHEAD.days} days. Look at hours.toml: residue hours."


def hours_in_words(told: Mapping[str, Any]) -> str:
    """The open times."""
    if told["open"]:
        until = f"until {datetime.fromisoformat(told['closes']):%a %H:%M}" if told["closes"] else "for more than a week"
        return f"It is open {until}."
    return f"It opens at {datetime.fromisoformat(told['opens']):%a %H:%M}." if told["opens"] else "It does not open."
