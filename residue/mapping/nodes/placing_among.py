"""Placement among outputs at any positions."""

from __future__ import annotations

from itertools import combinations
from typing import Annotated

import msgspec
import numpy as np
from msgspec import Meta

from residue.dsp.exact import Floats, total
from residue.dsp.panning import VectorPanning, directions
from residue.mapping.node import Block, Control, Drive, FastIn, Node, NodeContext, Ramp, Step
from residue.mapping.nodes.fields import Unity
from residue.mapping.nodes.shapes import InputShapes
from residue.mapping.signals import Kind, Shape, Signal


class OutputPosition(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The direction of an output, as seen by the visitor."""

    azimuth_degrees: Annotated[float, Meta(ge=-360.0, le=360.0)]
    elevation_degrees: Annotated[float, Meta(ge=-90.0, le=90.0)] = 0.0


class PlaceAmong(Node, frozen=True):
    """Places a sound among outputs at any positions, with or without height; the power stays the same.

    Azimuth turns from 0 in front to 90 at the left; elevation goes from -90 below to 90 above. The sound comes from the
    three outputs around its direction, or from two or one. In a direction without outputs (below a dome, above a ring,
    behind a pair) it comes from the outputs around the gap. `spread` adds the other outputs, until at 1 all have the
    same level. Several input channels are summed to one first.
    Latency: none (what is driven lags by 0.5 ms). Source: Pulkki, vector base amplitude panning, J Audio Eng Soc 45
    (1997) 456-466; triplets from the convex hull, gaps closed by imaginary outputs.
    """

    kind = "place_among"
    family = "space"

    input: FastIn
    outputs: Annotated[
        list[OutputPosition],
        Meta(min_length=2, max_length=32, description="azimuth_degrees and elevation_degrees (or 0) of each"),
    ]
    azimuth_degrees: (
        Annotated[float, Meta(ge=-36_000.0, le=36_000.0, description="direction of the sound; 360 is a turn")] | Drive
    ) = 0.0
    elevation_degrees: Annotated[float, Meta(ge=-90.0, le=90.0, description="height of the sound")] | Drive = 0.0
    spread: Unity | Drive = 0.0

    def __post_init__(self) -> None:
        towards = directions(*self._places())
        for first, second in combinations(range(len(self.outputs)), 2):
            if float(np.add.accumulate(towards[:, first] * towards[:, second])[-1]) > _COS_1_DEGREE:
                raise ValueError(
                    f"Outputs {first + 1} and {second + 1} stand in one direction. Write where each of them stands, "
                    "1 degree apart at least."
                )

    def _places(self) -> tuple[Floats, Floats]:
        """Azimuths and elevations of the outputs, in degrees."""
        around, up = ([one.azimuth_degrees for one in self.outputs], [one.elevation_degrees for one in self.outputs])
        return np.array(around), np.array(up)

    def gives(self, inputs: InputShapes) -> Shape:
        """A channel of sound for each output."""
        return Shape(Kind.FAST, len(self.outputs))

    def prepare(self, context: NodeContext) -> Step:
        """Computes gains at ticks, with straight lines between them."""
        panning = VectorPanning(*self._places())
        ramps = [Ramp() for _ in self.outputs]
        still: tuple[tuple[Control, ...], list[float]] | None = None

        def standing(place: tuple[float, float, float]) -> list[float]:
            nonlocal still
            if still is None or still[0] != place:
                still = place, [float(gain) for gain in _gains(panning, place, 1)[:, 0]]
            return still[1]

        def step(block: Block) -> Signal:
            sound = total(block.fast("input"))
            azimuth, elevation, spread = (block.controls[name] for name in _PLACE)
            if isinstance(azimuth, float) and isinstance(elevation, float) and isinstance(spread, float):
                gains: list[float] | Floats = standing((azimuth, elevation, spread))
            else:
                gains = _gains(panning, (azimuth, elevation, spread), block.span.ticks)
            return np.stack([sound * ramp(block.span, gain) for ramp, gain in zip(ramps, gains, strict=True)])

        return step


_COS_1_DEGREE = 0.999_847_695
_PLACE = ("azimuth_degrees", "elevation_degrees", "spread")


def _gains(panning: VectorPanning, place: tuple[Control, Control, Control], ticks: int) -> Floats:
    """(outputs, ticks): gains from the power at the place and the power in all outputs, by the share of the spread."""
    azimuth, elevation, spread = (np.zeros(ticks) + control for control in place)
    gains = panning(azimuth, elevation)
    value: Floats = np.sqrt(gains * gains * (1.0 - spread) + spread / len(gains))
    return value
