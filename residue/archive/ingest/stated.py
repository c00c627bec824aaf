"""Rates, names and units that files state in words of their own."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

_ROUNDED = 1e-6

RATE_KEYS = frozenset(
    {"rate", "ratehz", "samplerate", "samplingrate", "samplingratehz", "sampleratehz", "samplefrequency"}
    | {"samplingfrequency", "samplingfrequencyhz", "fs", "sfreq", "srate", "fsamp", "samplespersecond"}
)
"""Keys that name a rate, as `plain_key` gives them; common practice, no source."""


def exact_rate_hz(stated_hz: float) -> Fraction:
    """A rate as a file states it; a whole number where it lies within a millionth of one, as 1000.00003 does.

    A header that gives the interval instead rounds it, and no clock of a recorder is as good as a millionth.
    """
    whole = round(stated_hz)
    if whole and abs(stated_hz - whole) <= _ROUNDED * whole:
        return Fraction(whole)
    return Fraction(stated_hz).limit_denominator(10**6)


def plain_key(key: object) -> str:
    """A key in lower case and without signs."""
    return "".join(filter(str.isalnum, str(key).lower()))


def plain_unit(stated: str) -> str:
    """A unit with u for micro, of which Unicode has two."""
    return stated.replace("\N{MICRO SIGN}", "u").replace("\N{GREEK SMALL LETTER MU}", "u")


def is_rate(found: Any) -> bool:
    """Whether a value can be a rate in Hz."""
    return isinstance(found, (int, float)) and not isinstance(found, bool) and 0 < found <= 1e6
