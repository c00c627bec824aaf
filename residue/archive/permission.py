"""Whether a performance may be shown: recordings of heart and brain are health data about a person."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from residue.archive.performance import ChannelKind, Performance
from residue.problems import Finding, Severity

HEALTH_KINDS = frozenset(
    {
        ChannelKind.EMG,
        ChannelKind.ECG,
        ChannelKind.PULSE,
        ChannelKind.RR,
        ChannelKind.EEG,
        ChannelKind.EOG,
        ChannelKind.EDA,
        ChannelKind.RESP,
        ChannelKind.TEMP,
    }
)
"""What a physician could read something from. Sound of muscles, movement and force are left to the artist."""


def check_permission(performance: Performance, name: str, day: date) -> Iterator[Finding]:
    """What somebody should know before the performance is shown on a day. name: of its bag."""
    permission = performance.permission
    if permission is None:
        kinds = sorted({channel.kind for channel in performance.channel.values()} & HEALTH_KINDS)
        if kinds:
            what = f"It holds {', '.join(kinds)} of a person, and no consent is written down."
            yield Finding(Severity.WARNS, name, what, "Ask the performer, and ingest it again with [permission].")
    elif not permission.permits(day):
        span = f"{permission.shown_from or 'any day'} to {permission.shown_until or 'any day'}"
        what = f"It may be shown from {span}; {day} is outside."
        yield Finding(Severity.WARNS, name, what, "Take it out of the programme, or ask the performer again.")
