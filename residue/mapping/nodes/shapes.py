"""Shapes of outputs from shapes of inputs; a fault of the wiring raises a ValueError in words for people."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import cast

from residue.mapping.node import Drive, Node
from residue.mapping.signals import RATE_HZ, SLOW, Shape

InputShapes = Mapping[str, Shape | Sequence[Shape]]


class LikeInput(Node, frozen=True):
    """A node whose output has the kind and channels of its input."""

    def gives(self, inputs: InputShapes) -> Shape:
        """The kind and channels of its input."""
        return same(inputs)


class SlowNode(Node, frozen=True):
    """A node that gives a slow signal."""

    def gives(self, inputs: InputShapes) -> Shape:
        """A slow signal."""
        return SLOW


def same(inputs: InputShapes, field: str = "input") -> Shape:
    """The shape of an input that takes one signal."""
    return cast(Shape, inputs[field])


def together(shapes: Sequence[Shape]) -> Shape:
    """The shape of signals taken together value by value: one kind; one channel fits any number of channels."""
    if not shapes:
        raise ValueError("It has no input. Name at least one.")
    if len({shape.kind for shape in shapes}) > 1:
        raise ValueError("Its inputs mix slow and fast signals. Put a node of kind control or sound behind the slow.")
    channels = {shape.channels for shape in shapes} - {1}
    if len(channels) > 1:
        counts = " and ".join(map(str, sorted(channels)))
        raise ValueError(f"Its inputs have {counts} channels. Give all the same number, or 1.")
    return Shape(shapes[0].kind, max(shape.channels for shape in shapes))


def highest_of(parameter: float | Drive) -> float:
    """The highest value of a parameter, wherever a drive takes it; a section may still set another."""
    return max(parameter.gives, default=0.0) if isinstance(parameter, Drive) else parameter


def below_half_rate(shape: Shape, **frequencies_hz: float | Drive) -> None:
    """Raises ValueError where a frequency, wherever a drive takes it, can reach half the rate of its signal."""
    limit_hz = RATE_HZ[shape.kind] / 2
    for field, given in frequencies_hz.items():
        frequency_hz = highest_of(given)
        if frequency_hz >= limit_hz:
            raise ValueError(
                f"{field} = {frequency_hz:g} is not below half the rate of a {shape.kind} signal. "
                f"Write a frequency below {limit_hz:g} Hz."
            )
