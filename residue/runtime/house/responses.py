"""What somebody who asks the house for something is told: what it does now."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from residue.runtime.house.exchange import Event, Hold, Next, Release, Respond, Trim, World
from residue.runtime.house.house_state import House, State, hold_ends
from residue.schedule.spans import local


def response(event: Event, before: House, after: House, world: World) -> tuple[Respond, ...]:
    """The answer to a request of a person; none to other events.

    before: the house as it was asked. after: the house with the request carried out.
    """
    says = _SAYS.get(type(event))
    return () if says is None else (Respond(says(before, after, world)),)


def _hold(_before: House, after: House, world: World) -> str:
    fades = "fades to silence now and" if world.engine.sounding else "is silent and"
    return f"The house {fades} stays silent {_until(after, world)}."


def _release(before: House, after: House, world: World) -> str:
    ended = "Nobody held the house." if before.held_by is None else "The hold is over."
    return f"{ended} {_at_present(after, world)}"


def _next(_before: House, after: House, world: World) -> str:
    if world.opening is None:
        return "The house is closed: nothing is skipped."
    if world.timetable is not None:
        return "The rooms play in step: nothing is skipped."
    if after.held_by is not None:
        return f"The house is held, and silent {_until(after, world)}. Then it goes on to the next performance."
    return _at_present(after, world)


def _trim(_before: House, after: House, _world: World) -> str:
    return f"The trim is {after.trim_db:g} dB now." if after.trim_db else "The house is not trimmed any more."


_SAYS: Mapping[type[Event], Callable[[House, House, World], str]] = {
    Hold: _hold,
    Release: _release,
    Next: _next,
    Trim: _trim,
}


def _until(house: House, world: World) -> str:
    ends = hold_ends(house, world.now, world.monotonic_s)
    return "until it is released" if ends is None else f"until {local(ends, world.zone):%a %H:%M:%S}"


def _at_present(house: House, world: World) -> str:
    return _PRESENT[house.state](house, world)


_PRESENT: Mapping[State, Callable[[House, World], str]] = {
    State.CLOSED: lambda *_: "The house is closed.",
    State.HELD: lambda house, world: f"The house is silent {_until(house, world)}.",
    State.OPENING: lambda house, _: f"The house goes on as soon as it can: {house.reason}.",
    State.PLAYING: lambda house, _: f"The house plays {house.reason}.",
    State.RESTING: lambda house, _: f"The house rests {house.reason}.",
    State.FAULTED: lambda house, _: f"The house cannot be heard: {house.reason}",
}
