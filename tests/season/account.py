"""What a season is judged by: the seconds that the house should have been open, and which of them it missed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from residue.schedule.calendar import Calendar
from tests.season.caps import CAPS
from tests.season.faults import Fault


@dataclass
class Case:
    """A fault that the house has not recovered from."""

    fault: Fault
    over_s: float
    """When what lies outside the house is over."""
    missed_s: float = 0.0
    """For how long the house was not in order since, but for what lay outside."""
    lost_s: float = 0.0
    """What of that no later fault accounts for."""


@dataclass
class Recovered:
    """How long the house was not in order after faults of one kind were over."""

    times: int = 0
    total_s: float = 0.0
    worst_s: float = 0.0

    def add(self, other: Recovered) -> None:
        self.times += other.times
        self.total_s += other.total_s
        self.worst_s = max(self.worst_s, other.worst_s)


@dataclass
class Totals:
    """Of one season, or of several.

    imposed_s: nobody could have sounded, or known that it was time to. missed_s: the house could have, and was neither
    heard nor resting nor held. highest: of each cap, the fullest window against its limit.
    """

    open_s: float = 0.0
    imposed_s: float = 0.0
    missed_s: float = 0.0
    highest: Sequence[float] = (0.0,) * len(CAPS)
    recovered: dict[str, Recovered] = field(default_factory=dict)

    @property
    def reachable_s(self) -> float:
        """The open time in which the house could have been in order."""
        return self.open_s - self.imposed_s

    @property
    def available(self) -> float:
        """The share of it in which it was."""
        return 1.0 - self.missed_s / self.reachable_s

    def peak(self, highest: Sequence[float]) -> None:
        self.highest = [max(pair) for pair in zip(self.highest, highest, strict=True)]

    def add(self, other: Totals) -> None:
        self.open_s += other.open_s
        self.imposed_s += other.imposed_s
        self.missed_s += other.missed_s
        self.peak(other.highest)
        for kind, one in other.recovered.items():
            self.recovered.setdefault(kind, Recovered()).add(one)


class Account:
    """Counts by the hours and the true time, to the second, whatever the steps and whatever the house's clock shows.

    Each second missed counts as lost for the fault that came last.
    """

    def __init__(self, calendar: Calendar) -> None:
        self._calendar = calendar
        self.totals = Totals()
        self.cases: list[Case] = []

    def count(self, began: datetime, step_s: float, *, served: bool, imposed: bool) -> None:
        """A step in which nothing changed."""
        open_s = self._open_within(began, began + timedelta(seconds=step_s))
        self.totals.open_s += open_s
        if imposed and not served:
            self.totals.imposed_s += open_s
        elif not served:
            self.totals.missed_s += open_s
            for case in self.cases:
                case.missed_s += open_s
            if self.cases:
                self.cases[-1].lost_s += open_s

    def close(self, case: Case) -> None:
        """The house has recovered."""
        self.cases.remove(case)
        self.totals.recovered.setdefault(case.fault.kind, Recovered()).add(Recovered(1, case.lost_s, case.lost_s))

    def _open_within(self, began: datetime, ended: datetime) -> float:
        found_s = 0.0
        while began < ended:
            change = self._calendar.next_change(began)
            until = ended if change is None else min(change, ended)
            if self._calendar.opening_at(began) is not None:
                found_s += (until - began).total_seconds()
            began = until
        return found_s
