"""Requests of a person to the house: noted here, carried out by the house's states."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from math import inf, isinf
from typing import Any

from residue.durations import duration_in_words
from residue.runtime.house.exchange import Event, Hold, Log, Next, Release, Renew, Tick, Trim, World
from residue.runtime.house.house_state import TRIM_HIGHEST_DB, TRIM_LOWEST_DB, House, Transition, waits


def noted(house: House, event: Event, world: World) -> Transition:
    """The house with the request noted, and the line for the log."""
    house, ended = _hold_ended(house, world)
    house, asked = _HEAR[type(event)](house, event, world)
    return house, (*ended, *asked)


def _hold_ended(house: House, world: World) -> Transition:
    """Releases a hold whose time is over."""
    if house.held_by is None or world.monotonic_s < house.held_until_s:
        return house, ()
    said = f"The hold by {house.held_by} has ended by itself, as requested."
    return replace(house, held_by=None, held_until_s=inf), (Log("release", said),)


def _tick(house: House, _event: Tick, _world: World) -> Transition:
    return house, ()


def _hold(house: House, event: Hold, world: World) -> Transition:
    until_s = world.monotonic_s + event.for_s
    length = "" if isinf(event.for_s) else f" for {duration_in_words(event.for_s)}"
    if house.held_by is not None:
        said = f"Requested by {event.by}{length}; already held by {house.held_by}."
        return replace(house, held_until_s=max(until_s, house.held_until_s)), (Log("hold", said),)
    return replace(house, held_by=event.by, held_until_s=until_s), (Log("hold", f"Requested by {event.by}{length}."),)


def _release(house: House, event: Release, _world: World) -> Transition:
    if house.held_by is None:
        return house, (Log("release", f"Requested by {event.by}, but nobody holds."),)
    said = f"Requested by {event.by}; was held by {house.held_by}."
    return replace(house, held_by=None, held_until_s=inf), (Log("release", said),)


def _next(house: House, event: Next, world: World) -> Transition:
    said = Log("next", f"Requested by {event.by}.")
    if world.opening is None:
        return house, (Log("next", f"Requested by {event.by} while closed: nothing is skipped."),)
    if world.timetable is not None:
        return house, (Log("next", f"Requested by {event.by}, but the rooms play in step: nothing is skipped."),)
    if not house.under_way and waits(house, world):
        return replace(house, rest_until_s=-inf, not_before=None, in_order=False), (said,)
    return replace(house, index=house.index + 1, from_s=0.0, in_order=False, under_way=False), (said,)


def _renew(house: House, _event: Renew, world: World) -> Transition:
    if not house.under_way or world.opening is None:  # past closing the present performance may end, but none may begin
        return house, ()
    return replace(house, turn=max(house.turn, world.engine.turn) + 1, from_s=0.0, in_order=False), ()


def _trim(house: House, event: Trim, _world: World) -> Transition:
    db = min(TRIM_HIGHEST_DB, max(TRIM_LOWEST_DB, event.db))
    by = event.by if db < TRIM_HIGHEST_DB else None
    return replace(house, trim_db=db, trimmed_by=by), (Log("trim", f"{db:.1f} dB, asked for by {event.by}."),)


_HEAR: Mapping[type[Event], Callable[[House, Any, World], Transition]] = {
    Tick: _tick,
    Hold: _hold,
    Release: _release,
    Next: _next,
    Trim: _trim,
    Renew: _renew,
}
