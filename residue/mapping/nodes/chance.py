"""Chance with a seed: the draws are the same on every run.

The draws follow from the title of the piece and the name of the node. Each node draws exactly once for each of its
events, so that a parameter that moves does not change the later draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate
from typing import Annotated

from msgspec import Meta

from residue.mapping.node import Block, Drive, EventsIn, NodeContext, Step
from residue.mapping.nodes.controls import AtFrame
from residue.mapping.nodes.events import chosen, revalued
from residue.mapping.nodes.fields import Real, Unity
from residue.mapping.nodes.shapes import LikeInput
from residue.mapping.signals import Signal


class Chance(LikeInput, frozen=True):
    """Passes each event with a probability, and drops the others; every run passes the same events.

    A driven probability is taken at the moment of the event.
    Latency: none. Source: PCG64, uniform.
    """

    kind = "chance"
    family = "chance"

    input: EventsIn
    probability: Annotated[Unity, Meta(description="of an event to pass, from never to always")] | Drive = 0.5

    def prepare(self, context: NodeContext) -> Step:
        """Compares a draw with the probability."""
        random, at_frame = context.random(), AtFrame()

        def step(block: Block) -> Signal:
            events, probability = block.events("input"), at_frame(block.span, block.controls["probability"])
            draws = random(len(events.frames)).tolist()
            passes = [draw < probability(frame) for draw, frame in zip(draws, events.frames.tolist(), strict=True)]
            return chosen(events, passes)

        return step


class Choose(LikeInput, frozen=True):
    """Gives each event one of several values, chosen with weights; every run chooses the same values.

    A value of twice the weight comes twice as often. With `pass_between` behind it, an event takes one of several ways.
    Latency: none. Source: PCG64, uniform; inverse of the cumulated weights.
    """

    kind = "choose"
    family = "chance"

    input: EventsIn
    values: Annotated[list[Real], Meta(min_length=1, max_length=256, description="to choose from")]
    weights: Annotated[
        list[Annotated[float, Meta(ge=0.0, le=1e6)]] | None,
        Meta(description="one for each value; all alike where left out"),
    ] = None
    repeat: Annotated[bool, Meta(description="whether a value may come twice in a row")] = True

    def __post_init__(self) -> None:
        if self.weights is not None and len(self.weights) != len(self.values):
            raise ValueError(f"{len(self.weights)} weights for {len(self.values)} values. Write one for each value.")
        positive = [weight for weight in self._weights() if weight > 0.0]
        if not positive:
            raise ValueError("All weights are 0. Give at least one value a weight above 0.")
        if not self.repeat and len(positive) < 2:
            raise ValueError("repeat = false needs two values of a weight above 0. Add one, or take repeat away.")

    def _weights(self) -> Sequence[float]:
        return self.weights or [1.0] * len(self.values)

    def prepare(self, context: NodeContext) -> Step:
        """Where no value may repeat, the last one has no weight."""
        random, weights, last = context.random(), list(self._weights()), -1

        def drawn(draw: float) -> float:
            nonlocal last
            left = weights if self.repeat else [0.0 if n == last else weight for n, weight in enumerate(weights)]
            up_to = list(accumulate(left))
            last = next((n for n, bound in enumerate(up_to) if draw * up_to[-1] < bound), up_to.index(up_to[-1]))
            return self.values[last]

        def step(block: Block) -> Signal:
            events = block.events("input")
            return revalued(events, [drawn(draw) for draw in random(len(events.frames)).tolist()])

        return step


class RandomValue(LikeInput, frozen=True, kw_only=True):
    """Gives each event a random value between low and high, uniformly; every run gives the same values.

    With `walk` each value differs from the last one by at most so much, up or down, and is reflected at low and high;
    the first starts from the middle. `last_value` behind it makes a slow signal.
    Latency: none. Source: PCG64, uniform; random walk between reflecting bounds.
    """

    kind = "random_value"
    family = "chance"

    input: EventsIn
    low: Annotated[Real, Meta(description="the least value")] = 0.0
    high: Annotated[Real, Meta(description="the bound above the values")] = 1.0
    walk: (
        Annotated[float, Meta(gt=0.0, le=1e9, description="the most that it goes from one event to the next")] | None
    ) = None

    def __post_init__(self) -> None:
        if self.low >= self.high:
            raise ValueError(f"low = {self.low:g} is not below high = {self.high:g}. Exchange them.")
        if self.walk is not None and self.walk > self.high - self.low:
            raise ValueError(f"walk = {self.walk:g} is more than lies between low and high. Make it smaller.")

    def prepare(self, context: NodeContext) -> Step:
        """Scales a draw, or adds it to the last value."""
        random, last = context.random(), (self.low + self.high) / 2.0

        def drawn(draw: float) -> float:
            nonlocal last
            if self.walk is None:
                return self.low + (self.high - self.low) * draw
            aim = last + (2.0 * draw - 1.0) * self.walk
            aim = 2.0 * self.low - aim if aim < self.low else 2.0 * self.high - aim if aim > self.high else aim
            last = min(max(aim, self.low), self.high)  # a rounding may exceed a bound
            return last

        def step(block: Block) -> Signal:
            events = block.events("input")
            return revalued(events, [drawn(draw) for draw in random(len(events.frames)).tolist()])

        return step
