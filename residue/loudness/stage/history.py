"""Energy sent before a restart, as far as the log shows it; always counted against the house."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SentRow:
    """One tally of the level log."""

    age_s: float
    """Since the end of the tally: the latest moment at which what it counts can have been sent. Below 0 counts as 0."""
    duration_s: float
    sent: Mapping[str, float]
    """Mean level by Ear.key, as Tally.sent gave it."""


@dataclass(frozen=True, slots=True)
class Unlogged:
    """A time in which something may have been sent that no row tells."""

    age_s: float
    """Since its end; below 0 counts as 0."""
    duration_s: float


@dataclass(frozen=True, slots=True)
class SentHistory:
    """The energy that the governor must count before its first frame."""

    rows: Sequence[SentRow] = ()
    unlogged: Sequence[Unlogged] = ()
    """The governor assumes as much as the caps allowed, as late as may be."""
    unreadable: bool = False
    """The log could not be read: every cap counts as used up by the moment of the start."""
    ended_s: float = 0.0
    """How long ago all this was told; every age grows by it."""
