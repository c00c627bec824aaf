"""One row of a survey: what is known of one performance under a piece."""

from __future__ import annotations

import msgspec


class SurveyedReading(msgspec.Struct, frozen=True, kw_only=True):
    """What a node that reads the body gave over a whole performance."""

    trust: float
    """The mean of its trust, 0 to 1."""
    mean: float | None = None
    """The mean of its value where it is trusted; None for events, and where it never was."""
    events: int | None = None
    """The number of its events; None for a value."""


class SurveyedPerformance(msgspec.Struct, frozen=True, kw_only=True):
    """One performance. Values that do not exist are None; all others are rounded, so that their last bits do not count.

    Levels are those of the piece before plan and cap, in dBFS: what `residue measure` reads of a render before the cap.
    """

    name: str
    """The folder of its bag, from the folder that is surveyed on."""
    problems: str = ""
    """Why it cannot be played, in words; empty where it can."""
    notes: str = ""
    intact: bool = False
    """Whether its bag is complete and unchanged."""
    fits: bool | None = None
    """Whether it has the channels that the piece reads; None where nobody could look."""
    title: str | None = None
    recorded: str | None = None
    consent: bool | None = None
    """Whether the performer's consent is written down."""
    shown_from: str | None = None
    shown_until: str | None = None
    bag_sha256: str | None = None
    """The digest of its payload manifest: two bags with the same payload have the same."""
    recorded_s: float | None = None
    plays_s: float | None = None
    """How long the piece plays, up to the end of its closing fade."""
    plan_gain_db: float | None = None
    """The gain at which it keeps every cap, if it is played alone, again and again."""
    plan: str | None = None
    """The plan in words."""
    integrated_lufs: float | None = None
    loudness_range_lu: float | None = None
    short_term_max_lufs: float | None = None
    true_peak_dbtp: float | None = None
    laeq_dbfs: float | None = None
    lceq_dbfs: float | None = None
    section_s: list[float | None] = []
    """The length of each section of the piece; None for one that was not reached."""
    reading: dict[str, SurveyedReading] = {}
    """By node, what the piece reads of the body."""

    @property
    def playable(self) -> bool:
        """Whether it could be played to its end."""
        return not self.problems


def rounded(value: float | None, digits: int) -> float | None:
    """A value with so many decimals, without a negative zero."""
    return None if value is None else round(value, digits) + 0.0
