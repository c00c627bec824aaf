"""Checks whether a performance may be shown: recordings of heart and brain are health data about a person."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

from residue.archive.performance import ChannelKind, Performance, Permission
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
"""Kinds from which a physician could learn something. The artist decides about muscle sound, movement and force."""


AHEAD = timedelta(days=100)
"""A permission that ends within three months is reported: a house may be unattended for that time."""


def check_permission(performance: Performance, name: str, day: date) -> Iterator[Finding]:
    """Finds reasons not to show the performance on a day. name: that of its bag."""
    permission = performance.permission
    if permission is None:
        kinds = sorted({channel.kind for channel in performance.channel.values()} & HEALTH_KINDS)
        if kinds:
            what = f"It holds {', '.join(kinds)} of a person, and no consent is written down."
            yield Finding(Severity.WARNS, name, what, "Ask the performer, and ingest it again with [permission].")
        return
    yield from check_dates(permission, name, day)
    until = permission.shown_until
    if until is not None and day <= until < day + AHEAD:
        what = f"It may be shown until {until}, that day included."
        yield Finding(Severity.NOTES, name, what, "Ask the performer again in time, or plan the programme without it.")


def check_dates(permission: Permission, name: str, day: date) -> Iterator[Finding]:
    """Finds reasons in the dates of a permission not to show the performance on a day."""
    if not permission.permits(day):
        span = f"from {permission.shown_from or 'any day'} to {permission.shown_until or 'any day'}"
        what = f"It may be shown {span}; {day} is outside."
        yield Finding(Severity.WARNS, name, what, "Take it out of the programme, or ask the performer again.")
