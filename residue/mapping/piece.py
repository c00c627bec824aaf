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
    """A state of the body that ends a section: a slow signal above or below a value for a while."""

    signal: str
    above: float | None = None
    below: float | None = None
    for_s: Annotated[float, Meta(ge=0, le=3_600)] = 0.0

    def __post_init__(self) -> None:
        if (self.above is None) == (self.below is None):
            raise ValueError("An ending needs either above or below. Write one of them.")

    def holds(self, values: Slow) -> NDArray[np.bool_]:
        """Whether each value is in the state that ends the section."""
        return values > self.above if self.above is not None else values < cast(float, self.below)


class Section(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One section of the form: what ends it, at the latest when, and which parameters it sets."""

    name: str
    at_most_s: DurationS
    ends: Ending | None = None
    at_least_s: Annotated[float, Meta(ge=0, le=86_400)] = 0.0
    set: dict[str, float] = {}
    over_s: Annotated[float, Meta(ge=0, le=3_600)] = 2.0

    def __post_init__(self) -> None:
        if self.at_least_s > self.at_most_s:
            raise ValueError(
                f"at_least_s = {self.at_least_s:g} is longer than at_most_s = {self.at_most_s:g}. Make it shorter."
            )


class Piece(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The work of the artist, before its graph is built.

    node: by name, the tables of the nodes as they stand; residue.mapping.graph checks them against the catalogue.
    """

    title: str
    outputs: Annotated[list[str], Meta(min_length=1, max_length=32)]
    node: dict[str, dict[str, Any]]
    section: list[Section] = []
    closing_fade_s: Annotated[float, Meta(gt=0, le=120)] = 8.0
    """Over this time the sound goes once the last section has ended, or before the recording does."""
    arc: Literal["whole", "shaped"] = "whole"
    """Where a cap asks for less level: one gain for a whole performance, or louder minutes lowered more than others."""
