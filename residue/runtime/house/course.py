"""The course of the house through its programme: openings entered, turns ended and interrupted."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from math import inf

from residue.runtime.house.exchange import EngineView, World
from residue.runtime.house.house_state import START_GRACE_S, House, Place, performance_at
from residue.schedule.opening import Opening
from residue.schedule.programme import Programme, item, next_start

_WHOLE_S = 1.0
"""A turn that stops so near the end of its performance counts as played whole."""


def entered(house: House, world: World, programme: Programme) -> House:
    """The house in an opening.

    A new opening begins its programme; an edited one, or one that returns after a step of the clock, continues. Where
    the house stays open, the performance of the day before ends first, with the rest after it.
    """
    now, known = world.opening, house.opening
    if now is None:
        return house
    closes_s = world.monotonic_s + (now.closes - world.now).total_seconds()
    if known is not None and _same(known, now):
        return replace(house, opening=now, closes_s=closes_s)
    stays_open = known is not None and known.goes_on and known.closes == now.opens
    if stays_open and (house.under_way or house.from_s > 0.0):
        return replace(house, closes_s=closes_s)
    left = interrupted(house, world.engine, programme)
    place = house.before if house.before is not None and _same(house.before.opening, now) else Place(now, 0, 0.0)
    recently = world.now - timedelta(seconds=START_GRACE_S)
    silence_s = programme.first_silence_s if now.opens > recently else 0.0
    return replace(
        house,
        opening=now,
        before=None if known is None else Place(known, left.index, left.from_s),
        index=place.index,
        from_s=place.from_s,
        in_order=place.index == 0 and place.from_s == 0.0 and (house.in_order or not stays_open),
        under_way=False,
        rest_until_s=max(world.monotonic_s + silence_s, house.rest_until_s if stays_open else -inf),
        not_before=next_start(programme, now, max(now.opens, recently), world.zone),
        closes_s=closes_s,
    )


def _same(one: Opening, other: Opening) -> bool:
    """Whether they overlap: then one is the other after an edit of the hours."""
    return one.opens < other.closes and other.opens < one.closes


def ended(house: House, world: World, programme: Programme) -> House:
    """The house after a turn that ended by itself or by the fade before closing: a rest and the next one follow."""
    engine = world.engine
    if not house.under_way or engine.turn != house.turn or engine.sounding or house.opening is None:
        return house
    rest_s = item(programme, house.opening, house.index).rest_s
    return replace(
        house,
        index=house.index + 1,
        from_s=0.0,
        in_order=engine.playhead_s >= engine.duration_s.get(performance_at(house, programme), 0.0) - _WHOLE_S,
        under_way=False,
        rest_until_s=world.monotonic_s + rest_s,
        not_before=next_start(programme, house.opening, world.now + timedelta(seconds=rest_s), world.zone),
    )


def interrupted(house: House, engine: EngineView, programme: Programme) -> House:
    """The house after a turn that was stopped before its end; the curator chooses where it continues."""
    if not house.under_way:
        return house
    index, from_s = {
        "resume": (house.index, place_s(house, engine)),
        "restart": (house.index, 0.0),
        "next": (house.index + 1, 0.0),
    }[programme.after_interruption]
    resumed = programme.after_interruption == "resume"
    return replace(house, index=index, from_s=from_s, in_order=house.in_order and resumed, under_way=False)


def place_s(house: House, engine: EngineView) -> float:
    """The place in the present performance, or else in the next one."""
    return engine.playhead_s if house.under_way and engine.turn == house.turn else house.from_s
