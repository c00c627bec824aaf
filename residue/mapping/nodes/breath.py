"""Breath, from a belt around the chest or a thermistor under the nose."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Sequence
from statistics import median
from typing import Annotated, Literal

import numpy as np
from msgspec import Meta
from numpy.typing import NDArray

from residue.dsp import filters
from residue.dsp.breath import BreathFinder, BreathTurn
from residue.dsp.exact import Floats
from residue.dsp.filters import SosFilter
from residue.mapping.node import Block, Node, NodeContext, SlowIn, Step, Trusted
from residue.mapping.nodes.beat_trust import BeatTrust
from residue.mapping.nodes.shapes import InputShapes, SlowNode
from residue.mapping.nodes.staircase import Staircase
from residue.mapping.signals import CONTROL_RATE_HZ, EVENTS, FRAMES_PER_TICK, Events, Shape, Slow, Span

RisesWith = Annotated[
    Literal["in", "out"],
    Meta(description="whether breathing in or out makes the wave rise: in for a belt, out for most thermistors"),
]
_SIGNS = {"in": 1.0, "out": -1.0}
_SURE_OF = 10
"""The number of turns over which the trust is averaged: five breaths. Our choice."""


class Breath(SlowNode, frozen=True):
    """The breathing of a person: "rate" in breaths a minute, "depth" in the unit of the input, "phase" or "fullness".

    The phase is 0 where breathing in begins and 0.5 where breathing out begins, and stays below 1; between the turns it
    moves at the speed of the last breaths, and waits once a turn is overdue by half a breath in or out. The fullness is
    the wave itself, 0 at the bottom and 1 at the top of the last three breaths. The depth is that of the last breath in
    or out.
    Trust: how much the last five breaths resemble those before; 0 until two came, and fading while none comes. An
    irregular breath is doubted, as noise is no other, and one of more than 50 a minute, as it may be steps.
    Latency: 0.1 s for the fullness; else about 0.8 s, because a turn is known when the wave has come back by 0.3 of the
    usual depth. Source: amplitude test of Khodadad et al., Physiol Meas 39 (2018) 094001, made causal.
    """

    kind = "breath"
    family = "breath"
    has_trust = True

    input: SlowIn
    measure: Annotated[Literal["rate", "depth", "phase", "fullness"], Meta(description="what is read")] = "rate"
    rises_with: RisesWith = "in"
    breaths: Annotated[int, Meta(ge=1, le=60, description="for rate: how many breaths are averaged")] = 3
    before_first: Annotated[float, Meta(ge=0.0, le=100.0, description="for rate: until two breaths came")] = 15.0

    def prepare(self, context: NodeContext) -> Step:
        """Each measure is made from the turns and the wave."""
        find, trust = BreathFinder(CONTROL_RATE_HZ, _SIGNS[self.rises_with]), BeatTrust(_SURE_OF)
        measured = self._measured()

        def step(block: Block) -> Trusted:
            turns = find(block.slow("input"))
            _judge(turns, trust)
            return Trusted(measured(block.span, turns, find.wave), trust(block.span))

        return step

    def _measured(self) -> Callable[[Span, Sequence[BreathTurn], Floats], Slow]:
        match self.measure:
            case "rate":
                return _rate(self.breaths, self.before_first)
            case "depth":
                depth = Staircase(0.0)
                return lambda span, turns, _: depth(span, [(_known(turn), turn.depth) for turn in turns])
            case "phase":
                return _Phase()
            case "fullness":
                return _fullness()


class Breaths(Node, frozen=True):
    """An event each time that breathing in or out begins, valued with the depth of what ended there.

    The depth is in the unit of the input. A movement that does not resemble a breath (noise, a first movement) gives no
    event.
    Trust: how much the last five breaths resemble those before; 0 until two came, and fading while none comes. An
    irregular breath is doubted, as noise is no other, and one of more than 50 a minute, as it may be steps.
    Latency: about 0.8 s, until the wave has come back by 0.3 of the usual depth. Source: amplitude test of Khodadad et
    al., Physiol Meas 39 (2018) 094001, made causal.
    """

    kind = "breaths"
    family = "breath"
    has_trust = True

    input: SlowIn
    begins: Annotated[Literal["in", "out"], Meta(description="the beginning of what gives an event")] = "in"
    rises_with: RisesWith = "in"

    def gives(self, inputs: InputShapes) -> Shape:
        """Events."""
        return EVENTS

    def prepare(self, context: NodeContext) -> Step:
        """The turns of one side."""
        find, trust = BreathFinder(CONTROL_RATE_HZ, _SIGNS[self.rises_with]), BeatTrust(_SURE_OF)

        def step(block: Block) -> Trusted:
            turns = find(block.slow("input"))
            _judge(turns, trust)
            begun = [turn for turn in turns if turn.sure > 0.0 and turn.is_top == (self.begins == "out")]
            frames = np.array([_known(turn) for turn in begun], np.int64)
            return Trusted(Events(frames, np.array([turn.depth for turn in begun])), trust(block.span))

        return step


def _judge(turns: Sequence[BreathTurn], trust: BeatTrust) -> None:
    """Tells the trust of these turns; the first on each side have none before them to be like."""
    for turn in turns:
        if turn.interval:
            trust.beat(_known(turn), turn.interval / CONTROL_RATE_HZ, turn.sure)


def _known(turn: BreathTurn) -> int:
    """The first frame at which a turn is known."""
    return turn.known_at * FRAMES_PER_TICK


def _rate(breaths: int, before_first: float) -> Callable[[Span, Sequence[BreathTurn], Floats], Slow]:
    """Breaths a minute, counted at each beginning of a breath in."""
    held, recent = Staircase(before_first), deque[int](maxlen=breaths)

    def rate(span: Span, turns: Sequence[BreathTurn], wave: Floats) -> Slow:
        changes = []
        for turn in turns:
            if turn.sure > 0.0 and not turn.is_top:
                recent.append(turn.interval)
                changes.append((_known(turn), 60.0 * CONTROL_RATE_HZ * len(recent) / math.fsum(recent)))
        return held(span, changes)

    return rate


def _fullness() -> Callable[[Span, Sequence[BreathTurn], Floats], Slow]:
    """The wave between the bottoms and tops of the last breaths."""
    levels = {is_top: deque[float](maxlen=_BREATHS_OF_LATE) for is_top in (False, True)}
    bottom, top, smooth = Staircase(0.0), Staircase(0.0), SosFilter(filters.smoother(_SMOOTH_S, CONTROL_RATE_HZ), 2)

    def fullness(span: Span, turns: Sequence[BreathTurn], wave: Floats) -> Slow:
        changes: dict[bool, list[tuple[int, float]]] = {False: [], True: []}
        for turn in turns:
            levels[turn.is_top].append(turn.level)
            changes[turn.is_top].append((_known(turn), median(levels[turn.is_top])))
        low, high = smooth(np.stack((bottom(span, changes[False]), top(span, changes[True]))))
        full: Slow = np.clip((wave - low) / np.maximum(high - low, _LEAST), 0.0, 1.0)
        return full

    return fullness


class _Phase:
    """The phase over a breath, 0 to 1: from the last turn on it moves at the speed of the last breaths."""

    def __init__(self) -> None:
        self._lengths = {is_top: deque[int](maxlen=_BREATHS_OF_LATE) for is_top in (False, True)}
        self._turn: BreathTurn | None = None

    def __call__(self, span: Span, turns: Sequence[BreathTurn], wave: Floats) -> Slow:
        phase = np.zeros(span.ticks)
        edges = [turn.known_at - span.first_tick for turn in turns]
        for turn, begin, end in zip([self._turn, *turns], [0, *edges], [*edges, span.ticks], strict=True):
            if turn is not None:
                if turn is not self._turn:
                    self._lengths[turn.is_top].append(turn.length)
                phase[begin:end] = self._after(turn, span.first_tick + np.arange(begin, end))
                self._turn = turn
        return phase

    def _after(self, turn: BreathTurn, ticks: NDArray[np.int64]) -> Floats:
        """Half a cycle until the next turn is due, then at the speed of the following half, for half of it at most."""
        this, following = self._length(ends_at_top=not turn.is_top), self._length(ends_at_top=turn.is_top)
        passed = (ticks - turn.at).astype(np.float64)
        on = np.minimum(passed / this, 1.0) + np.minimum(np.maximum(passed - this, 0.0) / following, 0.5)
        phase = 0.5 * on + (0.5 if turn.is_top else 0.0)
        return phase - np.floor(phase)

    def _length(self, *, ends_at_top: bool) -> float:
        """The usual length of breathing in (which ends at a top) or out, from the last breaths."""
        known = self._lengths[ends_at_top] or self._lengths[not ends_at_top]
        return max(float(median(known)), 1.0)


_BREATHS_OF_LATE = 3
_SMOOTH_S = 0.2
_LEAST = 1e-12
