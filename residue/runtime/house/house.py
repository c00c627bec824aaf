"""The house: one pure state machine, (house, event, world) -> (house, actions).

Its state is derived again at every step from present facts - the opening under way, the requests of a person, the
report of the engine - and never from a past trigger. So a wake-up that comes late, twice or not at all ends in the same
state. The first line that is true names it:

    closed    no opening is under way (and nothing that may run on past closing)
    held      a person holds, until a person releases or the stated time is over; through closings and restarts too
    faulted   no performance of the programme can be played
    playing   a turn was started and has not ended
    resting   the programme wants silence, or closing is too near to begin another performance
    opening   otherwise: the next performance is started as soon as it is ready and the last has faded out

So what sounds, sounds while open and not held; and while open the house plays, rests, is about to play, is held or
is faulted, each with a line in the log. While the engine reports a fault, a lost device say, a house that would rest
or play says that it is faulted and goes on all the same, in time and unheard.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from math import isinf

from residue.runtime.house.course import ended, entered, interrupted
from residue.runtime.house.exchange import Action, Event, FadeOut, Log, Prepare, SetTrim, Start, World
from residue.runtime.house.house_state import (
    BEFORE_CLOSING_S,
    FADE_S,
    LATE_FADE_S,
    TRIM_LOWEST_DB,
    House,
    State,
    Transition,
    left_s,
    performance_at,
    waits,
)
from residue.runtime.house.in_step import in_step
from residue.runtime.house.requests import noted
from residue.runtime.house.responses import response
from residue.schedule.opening import Opening
from residue.schedule.programme import Programme, pool
from residue.schedule.spans import local

__all__ = ["House", "State", "step"]


def step(house: House, event: Event, world: World, programme: Programme) -> Transition:
    """The house after an event, and the actions to carry out now."""
    placed = in_step(ended(entered(house, world, programme), world, programme), world)
    asked, noted_down = noted(placed, event, world)
    state = _state(asked, world, programme)
    settled, actions = _ACT[state](replace(asked, state=state), world, programme)
    if world.engine.fault is not None and settled.state in _HEARD:
        settled = replace(settled, state=State.FAULTED)
    settled = replace(settled, reason=_REASON[settled.state](settled, world, programme))
    if (trim_db := _whole_trim_db(settled, world)) != world.engine.trim_db:
        actions = (SetTrim(trim_db), *actions)  # before a start, so that the sound begins at the right level
    if (settled.state, settled.turn, settled.reason) != (house.state, house.turn, house.reason):
        settled = replace(settled, since=world.now)
        actions = (*actions, Log(settled.state, settled.reason))
    return settled, (*noted_down, *actions, *response(event, placed, settled, world))


def _state(house: House, world: World, programme: Programme) -> State:
    if world.opening is None:
        return State.PLAYING if _runs_on(house, world, programme) else State.CLOSED
    if house.held_by is not None:
        return State.HELD
    if _nothing_to_play(world, programme) is not None:
        return State.FAULTED
    if house.under_way:
        return State.PLAYING
    if waits(house, world) or _too_late(house, world, programme):
        return State.RESTING
    return State.OPENING


def _runs_on(house: House, world: World, programme: Programme) -> bool:
    """Whether a performance runs on past closing time; a step of the clock is not a closing time."""
    plays = house.under_way and world.engine.turn == house.turn  # and is not only being wound forward
    may = _finishes(house.opening, programme) and plays and house.held_by is None
    return may and world.monotonic_s >= house.closes_s - BEFORE_CLOSING_S


def _finishes(opening: Opening | None, programme: Programme) -> bool:
    """Whether a performance may run on past the end of an opening: not into a silence that a person asked for."""
    return programme.at_closing == "finish" and not (opening is not None and opening.then_silent)


def _too_late(house: House, world: World, programme: Programme) -> bool:
    needed_s = FADE_S
    if programme.at_closing == "whole":
        needed_s = max(needed_s, world.engine.duration_s.get(performance_at(house, programme), 0.0) - house.from_s)
    return left_s(world) <= needed_s


def _nothing_to_play(world: World, programme: Programme) -> str | None:
    unplayable = world.engine.unplayable
    names = () if world.opening is None else dict.fromkeys(pool(programme, world.opening))
    if names and all(name in unplayable for name in names):
        reasons = "; ".join(f"{name}: {unplayable[name]}" for name in names)
        return f"No performance of the programme can be played. {reasons}"
    return None


def _whole_trim_db(house: House, world: World) -> float:
    """The trim that a person set plus the trim of a private view, and what the room is too loud."""
    own_db = 0.0 if house.opening is None else house.opening.terms.trim_db
    return max(TRIM_LOWEST_DB, house.trim_db + own_db + min(0.0, world.lowered_db))


# The actions of each state.


def _closed(house: House, world: World, programme: Programme) -> Transition:
    return interrupted(house, world.engine, programme), _hush(world)


def _held(house: House, world: World, programme: Programme) -> Transition:
    return interrupted(house, world.engine, programme), _hush(world)


def _faulted(house: House, _world: World, _programme: Programme) -> Transition:
    return house, ()


def _playing(house: House, world: World, programme: Programme) -> Transition:
    if world.engine.turn != house.turn:
        return house, (_start(house, programme),)
    actions: tuple[Action, ...] = _readying(house.index + 1, house, world, programme)
    if not _finishes(world.opening, programme) and left_s(world) <= FADE_S:
        actions = (*actions, *_hush(world))
    return house, actions


def _resting(house: House, world: World, programme: Programme) -> Transition:
    return house, (*_hush(world), *_readying(house.index, house, world, programme))


def _opening(house: House, world: World, programme: Programme) -> Transition:
    house, skipped = _past_unplayable(house, world, programme)
    performance = performance_at(house, programme)
    if world.engine.sounding or performance not in world.engine.ready:
        waiting = (*_hush(world), *_readying(house.index, house, world, programme))
        return house, (*skipped, *waiting)
    turn = max(house.turn, world.engine.turn) + 1
    playing = replace(house, state=State.PLAYING, turn=turn, under_way=True)
    return playing, (*skipped, _start(playing, programme))


_HEARD = frozenset({State.OPENING, State.PLAYING, State.RESTING})

_ACT: Mapping[State, Callable[[House, World, Programme], Transition]] = {
    State.CLOSED: _closed,
    State.OPENING: _opening,
    State.PLAYING: _playing,
    State.RESTING: _resting,
    State.HELD: _held,
    State.FAULTED: _faulted,
}


def _hush(world: World) -> tuple[Action, ...]:
    return (FadeOut(max(LATE_FADE_S, min(FADE_S, left_s(world)))),) if world.engine.sounding else ()


def _start(house: House, programme: Programme) -> Start:
    return Start(house.turn, performance_at(house, programme), house.from_s, house.in_order, house.begins)


def _readying(index: int, house: House, world: World, programme: Programme) -> tuple[Action, ...]:
    performance = performance_at(house, programme, index)
    known = performance in world.engine.ready or performance in world.engine.unplayable
    return () if known else (Prepare(performance),)


def _past_unplayable(house: House, world: World, programme: Programme) -> Transition:
    """Skips performances that cannot be played. At least one can, otherwise the house would be faulted."""
    skipped: list[Action] = []
    while (name := performance_at(house, programme)) in world.engine.unplayable:
        skipped.append(Log("skipped", f"{name}: {world.engine.unplayable[name]}"))
        house = replace(house, index=house.index + 1, from_s=0.0)
    return house, tuple(skipped)


def _why_resting(house: House, world: World, programme: Programme) -> str:
    due = house.not_before
    closes = None if world.opening is None or world.opening.goes_on else world.opening.closes
    none_left = due is not None and closes is not None and due >= closes
    if none_left or _too_late(house, world, programme):
        return "until closing"
    if due is not None and world.now < due:
        return f"until {local(due, world.zone):%H:%M}"
    return "as the programme asks"


def _holder(house: House) -> str:
    return f"by {house.held_by}" + ("" if isinf(house.held_until_s) else "; the hold ends by itself")


_REASON: Mapping[State, Callable[[House, World, Programme], str]] = {
    State.CLOSED: lambda house, *_: "by the hours" + (f"; held {_holder(house)}" if house.held_by else ""),
    State.OPENING: lambda house, _, programme: f"{performance_at(house, programme)} is being prepared",
    State.PLAYING: lambda house, world, programme: (
        f"{performance_at(house, programme)} from {house.from_s:.0f} s on"
        + ("" if world.opening else "; past closing, to its end")
    ),
    State.RESTING: _why_resting,
    State.HELD: lambda house, *_: _holder(house),
    State.FAULTED: lambda _, world, programme: world.engine.fault or _nothing_to_play(world, programme) or "",
}
