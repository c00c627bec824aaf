"""Logs how a room stood in step with others, opening by opening: the report has nothing else to tell it from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from residue.durations import place_in_words
from residue.runtime.daemon.step_state import StepState
from residue.runtime.journal.event_kinds import IN_STEP, OUT_OF_STEP, STOOD

AGAIN_S = 3_600.0
"""So often it is logged while the house is open: a power cut then takes no more than an hour of it; our choice."""
LONGEST_LOOK_S = 60.0
"""After a longer pause, as the machine slept, no more is counted."""


@dataclass(kw_only=True)
class _Opening:
    """What is known of the opening under way. since: when the first look was taken."""

    opens: datetime
    since: datetime
    open_s: float = 0.0
    out_s: float = 0.0
    most_ms: float = 0.0
    ms_s: float = 0.0
    """The sum of the skew over the time in step: ms times s."""

    def look(self, step: StepState, over_s: float) -> None:
        self.open_s += over_s
        if step.why is not None or step.late_ms is None:
            self.out_s += over_s
            return
        self.most_ms = max(self.most_ms, abs(step.late_ms))
        self.ms_s += abs(step.late_ms) * over_s

    @property
    def words(self) -> str:
        """Since when, for how long, and how well."""
        stood_s = self.open_s - self.out_s
        how = (
            f"{self.ms_s / stood_s:.2f} ms from its clock on average, {self.most_ms:.2f} ms at most" if stood_s else ""
        )
        out = f"out of step for {place_in_words(self.out_s)}" if round(self.out_s) else "never out of step"
        told = "; ".join(part for part in (place_in_words(stood_s), how, out) if part)
        return f"With other rooms, since {self.since:%H:%M:%S}{STOOD}{told}."


class StepLog:
    """happened: writes into the event log: kind, text."""

    def __init__(self, happened: Callable[[str, str], None]) -> None:
        self._happened = happened
        self._opening: _Opening | None = None
        self._looked_s = self._logged_s = 0.0
        self._why: str | None = None
        self._stood = False

    def look(self, step: StepState | None, opens: datetime | None, now: datetime, now_s: float) -> None:
        """step: None for a room that plays alone. opens: of the opening under way. now: local; now_s: monotonic."""
        if self._opening is not None and (step is None or self._opening.opens != opens):
            self.end()
        if step is None or opens is None:
            return
        if self._opening is None:
            self._opening, self._stood, self._why = _Opening(opens=opens, since=now), False, None
            self._looked_s = self._logged_s = now_s
        self._opening.look(step, min(LONGEST_LOOK_S, now_s - self._looked_s))
        self._looked_s = now_s
        self._turn(step.why)
        if now_s >= self._logged_s + AGAIN_S:
            self._logged_s = now_s
            self._happened(IN_STEP, self._opening.words)

    def end(self) -> None:
        """Logs what is known of the opening under way, which is over, or the program."""
        if self._opening is not None:
            self._happened(IN_STEP, self._opening.words)
        self._opening = None

    def _turn(self, why: str | None) -> None:
        """An event where it leaves the step and where it is back; falling in at the beginning is none."""
        before, self._why = self._why, why
        if not self._stood:
            self._stood = why is None
        elif before is None and why is not None:
            self._happened(OUT_OF_STEP, f"The room is out of step with the others: {why}.")
        elif before is not None and why is None:
            self._happened(IN_STEP, "The room is in step with the others again.")
