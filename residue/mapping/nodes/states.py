"""A small machine of named states."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated

import msgspec
import numpy as np
from msgspec import Meta

from residue.dsp.switching import Bools
from residue.mapping.node import Block, NodeContext, SlowsOrEventsIn, Step
from residue.mapping.nodes.fields import HoldS, Real
from residue.mapping.nodes.rising_and_falling import EventTicks
from residue.mapping.nodes.shapes import SlowNode
from residue.mapping.signals import CONTROL_RATE_HZ, HALF, Events, Signal, Slow, Span
from residue.problems import nearest


class StateTransition(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, rename={"source": "from"}):
    """A transition from one state to another: by an event, by a condition that has held for a while, or by time."""

    to: str
    source: str | None = None
    """The state that it leaves. None means every state but the one that it leads to."""
    on: str | None = None
    for_s: HoldS = 0.0
    after_s: HoldS | None = None

    def __post_init__(self) -> None:
        if (self.on is None) == (self.after_s is None):
            raise ValueError("A transition needs either on or after_s. Write one of them.")
        if self.after_s is not None and self.for_s:
            raise ValueError("for_s belongs to a condition, and after_s is used alone. Take one of them away.")

    def leaves(self, state: str) -> bool:
        """Whether it leaves this state."""
        return self.source == state or (self.source is None and self.to != state)


class States(SlowNode, frozen=True, kw_only=True):
    """A machine of named states. Its output is the value of the present state; it begins in the first state.

    states: each name with its value. transitions: from, to, and either `on` one of the inputs or after_s. An event
    makes the transition at once, a slow signal once it was above a half for for_s. Both for_s and after_s count within
    the present state only. Without `from` a transition starts from every other state. Of two transitions at the same
    tick the one that is written first counts. A state lasts at least one tick (0.5 ms).
    Latency: none: the transition is at the tick at or after the event. Source: Moore's machine.
    """

    kind = "states"
    family = "logic"

    input: SlowsOrEventsIn
    states: Annotated[dict[str, Real], Meta(min_length=1, max_length=64, description="each state with its value")]
    transitions: Annotated[list[StateTransition], Meta(max_length=256, description="from, to, and on or after_s")]

    def __post_init__(self) -> None:
        for number, one in enumerate(self.transitions, start=1):
            for state in (one.source, one.to):
                if state is not None and state not in self.states:
                    mend = nearest(state, self.states)
                    raise ValueError(f'Transition {number}: no state is called "{state}". {mend}')
            if one.on is not None and one.on not in self.input:
                mend = nearest(one.on, self.input) if self.input else "Name it there."
                raise ValueError(f'Transition {number}: "{one.on}" is not among the inputs. {mend}')

    def prepare(self, context: NodeContext) -> Step:
        """Goes from transition to transition."""
        return _Machine(self.states, self.transitions, self.input)


class _Machine:
    def __init__(
        self, states: Mapping[str, float], transitions: Sequence[StateTransition], inputs: Sequence[str]
    ) -> None:
        self._states, self._inputs = states, inputs
        self._marks = [EventTicks() for _ in inputs]
        self._out_of = {state: [one for one in transitions if one.leaves(state)] for state in states}
        self._enter(next(iter(states)), 0)
        self._earliest = 0

    def _enter(self, state: str, tick: int) -> None:
        self._state, self._since, self._earliest = state, tick, tick + 1
        self._unmet = [tick - 1] * len(self._out_of[state])
        """By transition: the last tick, since the state was entered, at which the condition did not hold."""

    def __call__(self, block: Block) -> Signal:
        span = block.span
        heard = {
            name: _Heard(marks(span, signal), lasts=False) if isinstance(signal, Events) else _Heard(signal > HALF)
            for name, marks, signal in zip(self._inputs, self._marks, block.slows_or_events("input"), strict=True)
        }
        values: Slow = np.empty(span.ticks)
        tick = span.first_tick
        while tick < span.last_tick:
            change, to = self._next(span, tick, heard)
            values[tick - span.first_tick : change - span.first_tick] = self._states[self._state]
            if to is not None:
                self._enter(to, change)
            tick = change
        return values

    def _next(self, span: Span, tick: int, heard: Mapping[str, _Heard]) -> tuple[int, str | None]:
        """The tick of the next transition from `tick` on, and its target; the end of the span if there is none."""
        first, to = span.last_tick, None
        free = max(tick, self._earliest)
        for number, one in enumerate(self._out_of[self._state]):
            at = span.last_tick
            if one.on is None:
                at = max(self._since + _ticks(one.after_s or 0.0), free)
            elif heard[one.on].lasts:
                met = heard[one.on].met[tick - span.first_tick :]
                at = self._held(met, tick, number=number, ticks=_ticks(one.for_s))
            elif (come := heard[one.on].met[free - span.first_tick :]).any():
                at = free + int(np.argmax(come))
            if at < first:
                first, to = at, one.to
        return first, to

    def _held(self, met: Bools, tick: int, *, number: int, ticks: int) -> int:
        """The first tick at which a condition has held for long enough; the end of the span if there is none."""
        at = np.arange(tick, tick + len(met))
        unmet = np.maximum.accumulate(np.where(met, self._unmet[number], at))
        self._unmet[number] = int(unmet[-1])
        enough = (at - unmet > ticks) & (at >= self._earliest)
        return tick + (int(np.argmax(enough)) if enough.any() else len(met))


@dataclass(frozen=True, slots=True)
class _Heard:
    """One input over a span: the ticks of its events, or the ticks at which its condition holds.

    lasts: it is a condition.
    """

    met: Bools
    lasts: bool = True


def _ticks(time_s: float) -> int:
    return round(time_s * CONTROL_RATE_HZ)
