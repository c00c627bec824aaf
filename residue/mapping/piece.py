"""The piece as piece.toml holds it: a mapping graph and its form."""

from __future__ import annotations

from typing import Annotated, Any, Literal, cast

import msgspec
import numpy as np
from msgspec import Meta
from numpy.typing import NDArray

from residue.mapping.signals import Slow

DurationS = Annotated[float, Meta(gt=0, le=86_400)]


class Ending(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The condition that ends a section: a slow signal is above or below a value for a while."""

    signal: str
    """The slow signal that is watched: the name of a node, or NAME.trust."""
    above: float | None = None
    below: float | None = None
    """The section ends when the signal is above, or below, this value. Write one of the two."""
    for_s: Annotated[float, Meta(ge=0, le=3_600)] = 0.0
    """The signal must stay there for so long."""

    def __post_init__(self) -> None:
        if (self.above is None) == (self.below is None):
            raise ValueError("An ending needs either above or below. Write one of them.")

    def holds(self, values: Slow) -> NDArray[np.bool_]:
        """Whether each value is in the state that ends the section."""
        return values > self.above if self.above is not None else values < cast(float, self.below)


class Section(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One section of the form: its ending, its longest time, and the parameters that it sets."""

    name: str
    """A name for people: status, log and feed show it."""
    at_most_s: DurationS
    """The section ends after this time at the latest."""
    ends: Ending | None = None
    """A condition that ends the section earlier."""
    at_least_s: Annotated[float, Meta(ge=0, le=86_400)] = 0.0
    """The section does not end before this time."""
    set: dict[str, float] = {}
    """Numbers of nodes that this section sets, such as "mass.decay_db" = 3.0."""
    over_s: Annotated[float, Meta(ge=0, le=3_600)] = 2.0
    """The numbers move to their new values over this time, in a straight line."""

    def __post_init__(self) -> None:
        if self.at_least_s > self.at_most_s:
            raise ValueError(
                f"at_least_s = {self.at_least_s:g} is longer than at_most_s = {self.at_most_s:g}. Make it shorter."
            )


class Piece(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The artist's file: a mapping graph and its form.

    The tables of the nodes are raw here; residue.mapping.graph checks them against the catalogue.
    """

    title: str
    """The name of the piece."""
    outputs: Annotated[list[str], Meta(min_length=1, max_length=32)]
    """The outputs that a room must offer; each is one [output.NAME] of room.toml."""
    node: dict[str, dict[str, Any]]
    """The nodes by name. Each has a kind and the keys of that kind: see nodes.md."""
    section: list[Section] = []
    """The sections of the form, in their order. A piece needs at least one."""
    closing_fade_s: Annotated[float, Meta(gt=0, le=120)] = 8.0
    """Over this time the sound fades out, after the last section has ended or before the recording ends."""
    arc: Literal["whole", "shaped"] = "whole"
    """If a cap needs less level: one gain for the whole performance, or more attenuation for louder minutes."""
