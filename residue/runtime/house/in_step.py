"""A house in step with others: its place in the programme follows from the time of day alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from math import inf

from residue.runtime.house.exchange import World
from residue.runtime.house.house_state import House
from residue.schedule.agenda import AgendaEntry
from residue.schedule.opening import Opening
from residue.schedule.timetable import AHEAD_S, OVER_S, is_due, next_due


def in_step(house: House, world: World) -> House:
    """The house at the performance that is due by the timetable of the opening, or next.

    A turn that is under way stays as long as it is due; one that began before there was a timetable plays to its end.
    Where there is no timetable, the house goes on alone.
    """
    if world.opening is None:
        return house
    if world.timetable is None:
        return house if house.under_way else replace(house, begins=None)
    entries = world.timetable
    alone = house.begins is None
    if house.under_way and (alone or _is_due(house, world.opening, entries, world.now)):
        return house
    number = next_due(entries, world.now, world.engine.unplayable)
    if number is None:
        return replace(house, under_way=False, not_before=world.opening.closes, rest_until_s=-inf)
    begins = entries[number].begins
    return replace(
        house,
        opening=world.opening,
        index=number,
        from_s=max(0.0, (world.now - begins).total_seconds()),
        in_order=house.turn == 0 or not alone,
        under_way=False,
        rest_until_s=-inf,
        not_before=begins - timedelta(seconds=AHEAD_S),
        begins=begins,
    )


def _is_due(house: House, opening: Opening, entries: Sequence[AgendaEntry], now: datetime) -> bool:
    if house.opening != opening:  # that of the day before, whose last turn ends a moment late
        return now < opening.opens + timedelta(seconds=OVER_S)
    return house.index < len(entries) and is_due(entries[house.index], now)
