"""Level and sum: what is done to a signal value by value, without memory."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Annotated, Literal, cast

import numpy as np
from msgspec import Meta

from residue.dsp import exact
from residue.dsp.exact import Floats
from residue.dsp.shaping import equal_power
from residue.mapping.node import Block, Control, Drive, EitherIn, EithersIn, Node, NodeContext, Ramp, Step
from residue.mapping.nodes.controls import gains, mapped
from residue.mapping.nodes.fields import GainDb, Real, Unity
from residue.mapping.nodes.shapes import LikeInput, Shapes, same, together
from residue.mapping.signals import Kind, Shape, Signal, Span


class Gain(LikeInput, frozen=True):
    """Multiplies by a level in dB; a driven level is crossed smoothly.

    Latency: none (a driven level lags by 0.5 ms).
    """

    kind = "gain"
    family = "conditioning"

    input: EitherIn
    gain_db: GainDb | Drive

    def prepare(self, context: NodeContext) -> Step:
        """Multiplies."""
        cross = _crossing(context)
        return lambda block: block.either("input") * cross(block.span, gains(block.controls["gain_db"]))


class Offset(LikeInput, frozen=True):
    """Adds a value.

    Latency: none.
    """

    kind = "offset"
    family = "conditioning"

    input: EitherIn
    offset: Real | Drive

    def prepare(self, context: NodeContext) -> Step:
        """Adds."""
        cross = _crossing(context)
        return lambda block: block.either("input") + cross(block.span, block.controls["offset"])


class Rectify(LikeInput, frozen=True):
    """The magnitude of every value.

    Latency: none.
    """

    kind = "rectify"
    family = "conditioning"

    input: EitherIn

    def prepare(self, context: NodeContext) -> Step:
        """Takes magnitudes."""
        return lambda block: np.abs(block.either("input"))


class Clip(LikeInput, frozen=True):
    """Keeps every value between two bounds.

    Latency: none.
    """

    kind = "clip"
    family = "conditioning"

    input: EitherIn
    low: Real
    high: Real

    def __post_init__(self) -> None:
        if self.low > self.high:
            raise ValueError(f"low = {self.low:g} is above high = {self.high:g}. Exchange them.")

    def prepare(self, context: NodeContext) -> Step:
        """Clips."""
        return lambda block: np.clip(block.either("input"), self.low, self.high)


class Normalise(LikeInput, frozen=True):
    """0 at the stated resting value and 1 at the stated full value, in a straight line through both.

    Latency: none.
    """

    kind = "normalise"
    family = "conditioning"

    input: EitherIn
    full: Real
    rest: Real = 0.0

    def __post_init__(self) -> None:
        if self.full == self.rest:
            raise ValueError(f"full and rest are both {self.full:g}. Write two values that differ.")

    def prepare(self, context: NodeContext) -> Step:
        """Lays the straight line."""
        return lambda block: (block.either("input") - self.rest) / (self.full - self.rest)


class Scale(LikeInput, frozen=True):
    """Maps one range to another, bounded at both ends.

    "linear" keeps the proportions; "logarithmic" reads the input on a logarithmic scale (from_low above 0);
    "exponential" gives equal ratios for equal steps (to_low and to_high above 0). `bend` is the exponent laid on the
    way from low to high: above 1 it starts slowly, below 1 quickly.
    Latency: none.
    """

    kind = "scale"
    family = "conditioning"

    input: EitherIn
    from_low: Real = 0.0
    from_high: Real = 1.0
    to_low: Real = 0.0
    to_high: Real = 1.0
    law: Annotated[Literal["linear", "logarithmic", "exponential"], Meta(description="how the way is divided")] = (
        "linear"
    )
    bend: Annotated[float, Meta(ge=0.1, le=10.0, description="exponent on the way from low to high")] = 1.0

    def __post_init__(self) -> None:
        if self.from_low == self.from_high:
            raise ValueError(f"from_low and from_high are both {self.from_low:g}. Write two values that differ.")
        if self.law == "logarithmic" and min(self.from_low, self.from_high) <= 0:
            raise ValueError("A logarithmic law needs from_low and from_high above 0. Raise them, or take another law.")
        if self.law == "exponential" and min(self.to_low, self.to_high) <= 0:
            raise ValueError("An exponential law needs to_low and to_high above 0. Raise them, or take another law.")

    def prepare(self, context: NodeContext) -> Step:
        """Finds the share of the way, bends it, and goes that far on the way out."""

        def step(block: Block) -> Signal:
            return self._to(_bent(self._share(block.either("input")), self.bend))

        return step

    def _share(self, x: Floats) -> Floats:
        low, high = self.from_low, self.from_high
        if self.law == "logarithmic":
            x = exact.log2(np.clip(x, min(low, high), max(low, high)))
            low, high = (float(end) for end in exact.log2(np.array([low, high])))
        return np.clip((x - low) / (high - low), 0.0, 1.0)

    def _to(self, share: Floats) -> Floats:
        if self.law == "exponential":
            low, high = (float(end) for end in exact.log2(np.array([self.to_low, self.to_high])))
            return exact.exp2(low + (high - low) * share)
        return self.to_low + (self.to_high - self.to_low) * share


class Mix(Node, frozen=True):
    """The sum of several signals, each with its own level.

    Latency: none.
    """

    kind = "mix"
    family = "conditioning"

    input: EithersIn
    gains_db: Annotated[list[GainDb] | None, Meta(description="one for each input; 0 dB where left out")] = None

    def __post_init__(self) -> None:
        if self.gains_db is not None and len(self.gains_db) != len(self.input):
            raise ValueError(f"{len(self.gains_db)} gains for {len(self.input)} inputs. Write one for each input.")

    def gives(self, inputs: Shapes) -> Shape:
        """The shape of its inputs together."""
        return together(cast("Sequence[Shape]", inputs["input"]))

    def prepare(self, context: NodeContext) -> Step:
        """Adds in the order of the inputs."""
        factors = [exact.gain_from_db(level) for level in self.gains_db or [0.0] * len(self.input)]

        def step(block: Block) -> Signal:
            first, *others = zip(block.eithers("input"), factors, strict=True)
            mixed = first[0] * first[1]
            for signal, factor in others:
                mixed = mixed + signal * factor
            return mixed

        return step


class Product(Node, frozen=True):
    """The product of several signals, value by value.

    Latency: none.
    """

    kind = "product"
    family = "conditioning"

    input: EithersIn

    def gives(self, inputs: Shapes) -> Shape:
        """The shape of its inputs together."""
        return together(cast("Sequence[Shape]", inputs["input"]))

    def prepare(self, context: NodeContext) -> Step:
        """Multiplies in the order of the inputs."""

        def step(block: Block) -> Signal:
            first, *others = block.eithers("input")
            product = first.copy()
            for signal in others:
                product = product * signal
            return product

        return step


class Crossfade(Node, frozen=True):
    """Passes from one signal to another: only `a` at 0, only `b` at 1.

    "power" keeps the power of unlike signals, "linear" the sum of like ones.
    Latency: none (a driven position lags by 0.5 ms for fast signals).
    """

    kind = "crossfade"
    family = "conditioning"

    a: EitherIn
    b: EitherIn
    position: Unity | Drive
    law: Annotated[Literal["power", "linear"], Meta(description="what is kept on the way")] = "power"

    def gives(self, inputs: Shapes) -> Shape:
        """The shape of both together."""
        return together([same(inputs, "a"), same(inputs, "b")])

    def prepare(self, context: NodeContext) -> Step:
        """Weighs both and adds."""
        cross_a, cross_b = _crossing(context, "a"), _crossing(context, "a")
        of_a, of_b = _LAWS[self.law]

        def step(block: Block) -> Signal:
            position = block.controls["position"]
            a = block.either("a") * cross_a(block.span, mapped(of_a, position))
            return a + block.either("b") * cross_b(block.span, mapped(of_b, position))

        return step


def _power_a(position: Floats) -> Floats:
    return equal_power(position)[0]


def _power_b(position: Floats) -> Floats:
    return equal_power(position)[1]


def _linear_a(position: Floats) -> Floats:
    return 1.0 - position


def _linear_b(position: Floats) -> Floats:
    return position


_LAWS = {"power": (_power_a, _power_b), "linear": (_linear_a, _linear_b)}


def _bent(share: Floats, exponent: float) -> Floats:
    """A share, 0 to 1, to the power of an exponent."""
    if exponent == 1.0:
        return share
    return np.where(share > 0.0, exact.exp2(exponent * exact.log2(np.maximum(share, 1e-300))), 0.0)


def _crossing(context: NodeContext, field: str = "input") -> Callable[[Span, Control], Control]:
    """How a control meets a signal: as it is for a slow one, in straight lines for a fast one."""
    return Ramp() if context.shape(field).kind is Kind.FAST else lambda span, control: control
