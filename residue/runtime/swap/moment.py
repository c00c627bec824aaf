"""Decides when a performance that is ready may replace another."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from residue.archive.swap.places import Candidate, When
from residue.runtime.engine.snapshot import Snapshot
from residue.runtime.house.house_state import House, performance_at
from residue.schedule.opening import Opening
from residue.schedule.programme import Programme


@dataclass(frozen=True, slots=True)
class Moment:
    """The activity of the house at the moment of a check of the swaps."""

    performance: str | None = None
    """The present performance, or the one about to begin."""
    begun: bool = True
    """Whether it sounds already, and its bag is no longer read."""
    opened: datetime | None = None
    """The beginning of the present opening; None while the house is closed."""

    def wanted(self, candidate: Candidate) -> bool:
        """Whether the swap is to happen as soon as possible, so that the old performance is not begun again."""
        if candidate.request.when is not When.AT_OPENING:
            return True
        return self.opened is None or self.opened > candidate.request.asked

    def free(self, candidate: Candidate) -> bool:
        """Whether the swap may happen at this moment."""
        if self.performance != candidate.name:
            return True
        return candidate.request.when is When.NOW and self.begun


def moment(house: House, programme: Programme, engine: Snapshot, opening: Opening | None) -> Moment:
    """The moment from the states of house and engine."""
    about = performance_at(house, programme) if house.under_way and house.opening is not None else None
    return Moment(
        performance=about or engine.performance,
        begun=engine.performance == about and engine.turn == house.turn,
        opened=None if opening is None else opening.opens,
    )
