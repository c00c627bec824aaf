"""From one range of values to another, value by value."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal

import numpy as np
from msgspec import Meta

from residue.dsp import exact
from residue.dsp.exact import Floats
from residue.mapping.node import Block, EitherIn, NodeContext, Step
from residue.mapping.nodes.fields import Real
from residue.mapping.nodes.shapes import LikeInput
from residue.mapping.signals import Signal


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
        """Clips the input to the range."""
        return lambda block: np.clip(block.either("input"), self.low, self.high)


class Normalise(LikeInput, frozen=True):
    """Scales in a straight line: 0 at the resting value and 1 at the full value that you state.

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
        """Computes the straight line."""
        return lambda block: (block.either("input") - self.rest) / (self.full - self.rest)


class Scale(LikeInput, frozen=True):
    """Maps one range to another, bounded at both ends.

    "linear" keeps the proportions; "logarithmic" reads the input on a logarithmic scale (from_low above 0);
    "exponential" gives equal ratios for equal steps (to_low and to_high above 0). `bend` is an exponent on the way from
    low to high: above 1 the output starts slowly, below 1 quickly.
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
        """Computes the share between from_low and from_high, bends it, and goes that far from to_low to to_high."""

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


class Curve(LikeInput, frozen=True):
    """Maps values by straight lines between points; beyond the first and the last point it is constant.

    Latency: none.
    """

    kind = "curve"
    family = "conditioning"

    input: EitherIn
    at: Annotated[list[Real], Meta(min_length=2, max_length=256, description="values of the input, rising")]
    becomes: Annotated[list[Real], Meta(min_length=2, max_length=256, description="what each becomes")]

    def __post_init__(self) -> None:
        if len(self.at) != len(self.becomes):
            raise ValueError(f"{len(self.at)} values in at, {len(self.becomes)} in becomes. Write as many in both.")
        if any(after <= before for before, after in pairwise(self.at)):
            raise ValueError(f"at = {self.at} does not rise. Write its values in ascending order.")

    def prepare(self, context: NodeContext) -> Step:
        """Interpolates between the given points."""
        return lambda block: np.interp(block.either("input"), self.at, self.becomes)


def _bent(share: Floats, exponent: float) -> Floats:
    """A share, 0 to 1, to the power of an exponent."""
    if exponent == 1.0:
        return share
    return np.where(share > 0.0, exact.exp2(exponent * exact.log2(np.maximum(share, 1e-300))), 0.0)
