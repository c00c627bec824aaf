"""Lengths of time and places in a performance, in words for people."""

from __future__ import annotations

_SHORTLY_S = 90.0  # below it a rough length is told in seconds


def duration_in_words(duration_s: float) -> str:
    """8 h, 15 min, 90 s."""
    for length_s, unit in ((3600.0, "h"), (60.0, "min")):
        if duration_s >= length_s and duration_s % length_s == 0.0:
            return f"{duration_s / length_s:g} {unit}"
    return f"{duration_s:g} s"


def rough_duration_in_words(duration_s: float) -> str:
    """A measured length to the second or, from 90 s on, to the minute: 12 s, 7 min."""
    return f"{duration_s:.0f} s" if duration_s < _SHORTLY_S else f"{duration_s / 60.0:.0f} min"


def place_in_words(place_s: float, *, tenths: bool = False) -> str:
    """A place in a performance (s from its beginning), rounded: 1:07, 2:30:04, with tenths of a second 1:07.3."""
    parts = 10 if tenths else 1
    whole_s, tenth = divmod(round(place_s * parts), parts)
    minutes, seconds = divmod(whole_s, 60)
    hours, rest_min = divmod(minutes, 60)
    whole = f"{hours}:{rest_min:02}:{seconds:02}" if hours else f"{minutes}:{seconds:02}"
    return f"{whole}.{tenth}" if tenths else whole
