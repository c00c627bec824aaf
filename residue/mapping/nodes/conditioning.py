"""Levels, sums and products, value by value."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Annotated, Literal, cast

import numpy as np
from msgspec import Meta

from residue.dsp.exact import Floats, gain_from_db
from residue.dsp.shaping import entering, leaving
from residue.mapping.node import Block, Control, Drive, EitherIn, EithersIn, Node, NodeContext, Ramp, Step
from residue.mapping.nodes.controls import gains, mapped
from residue.mapping.nodes.fields import GainDb, Real, Unity
from residue.mapping.nodes.shapes import InputShapes, LikeInput, same, together
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
        """Multiplies the inputs."""
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
        """Adds the inputs."""
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
        """Takes the magnitude of the input."""
        return lambda block: np.abs(block.either("input"))


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

    def gives(self, inputs: InputShapes) -> Shape:
        """The kind of its inputs, as many channels as the widest has."""
        return together(cast("Sequence[Shape]", inputs["input"]))

    def prepare(self, context: NodeContext) -> Step:
        """Adds in the order of the inputs."""
        factors = [gain_from_db(level) for level in self.gains_db or [0.0] * len(self.input)]

        def step(block: Block) -> Signal:
            first, *others = zip(block.eithers("input"), factors, strict=True)
            mixed = first[0] * first[1]
            for signal, factor in others:
                part = signal if factor == 1.0 else signal * factor
                if len(part) > len(mixed):
                    mixed = mixed + part
                else:
                    mixed += part
            return mixed

        return step


class Product(Node, frozen=True):
    """The product of several signals, value by value.

    Latency: none.
    """

    kind = "product"
    family = "conditioning"

    input: EithersIn

    def gives(self, inputs: InputShapes) -> Shape:
        """The kind of its inputs, as many channels as the widest has."""
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

    def gives(self, inputs: InputShapes) -> Shape:
        """The kind of both, as many channels as the wider has."""
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


def _linear_a(position: Floats) -> Floats:
    return 1.0 - position


def _linear_b(position: Floats) -> Floats:
    return position


_LAWS = {"power": (leaving, entering), "linear": (_linear_a, _linear_b)}


def _crossing(context: NodeContext, field: str = "input") -> Callable[[Span, Control], Control]:
    """A control that meets a signal: unchanged for a slow one, in straight lines for a fast one."""
    return Ramp() if context.shape(field).kind is Kind.FAST else lambda span, control: control
