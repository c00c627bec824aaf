"""Rates and names that files state in words of their own: the keys that mean a rate."""

from __future__ import annotations

from typing import Any

RATE_KEYS = frozenset(
    {"rate", "ratehz", "samplerate", "samplingrate", "samplingratehz", "sampleratehz", "samplefrequency"}
    | {"samplingfrequency", "samplingfrequencyhz", "fs", "sfreq", "srate", "fsamp", "samplespersecond"}
)
"""Keys that name a rate, as `plain_key` gives them; common practice, no source."""


def plain_key(key: object) -> str:
    """A key in lower case and without signs."""
    return "".join(filter(str.isalnum, str(key).lower()))


def is_rate(found: Any) -> bool:
    """Whether a value can be a rate in Hz."""
    return isinstance(found, (int, float)) and not isinstance(found, bool) and 0 < found <= 1e6
