"""Slow values moved to the tones of a scale."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal

import numpy as np
from msgspec import Meta

from residue.dsp import exact
from residue.dsp.exact import Floats
from residue.dsp.tones import Nearest, tempered, tones_hz
from residue.mapping.node import Block, NodeContext, SlowIn, Step
from residue.mapping.nodes.fields import FrequencyHz
from residue.mapping.nodes.shapes import SlowNode
from residue.mapping.signals import Signal, Slow

JustRatio = Annotated[str, Meta(pattern=r"^[1-9][0-9]{0,5}/[1-9][0-9]{0,5}$")]


class Tune(SlowNode, frozen=True, kw_only=True):
    """The nearest tone of a scale, in Hz, to a slow value. Use it to drive the frequency of a voice.

    The scale is either degrees of an equal temperament or just ratios, and repeats at every octave; reference_hz is the
    frequency of degree 0, or of 1/1. The input counts tones of the scale from there ("degrees"), octaves from there, or
    is a frequency in Hz; between two tones it gives the nearer in pitch. `hysteresis` prevents flutter: the tone
    changes only when the input is past the border by that share of the way to the next tone.
    Latency: none. Source: equal temperament, 2 to the power of degree / steps_per_octave; ratios as written.
    """

    kind = "tune"
    family = "pitch and time"

    input: SlowIn
    degrees: Annotated[
        Annotated[list[Annotated[int, Meta(ge=0, le=1199)]], Meta(min_length=1)] | None,
        Meta(description="of the scale, ascending, from 0 to below steps_per_octave"),
    ] = None
    steps_per_octave: Annotated[int, Meta(ge=1, le=1200, description="of the equal temperament")] = 12
    ratios: Annotated[
        Annotated[list[JustRatio], Meta(min_length=1)] | None,
        Meta(description='such as "3/2", ascending, from 1 to below 2'),
    ] = None
    reference_hz: Annotated[FrequencyHz, Meta(description="frequency of degree 0, or of 1/1")] = 440.0
    unit: Annotated[Literal["degrees", "octaves", "hz"], Meta(description="what the input counts")] = "degrees"
    lowest_hz: Annotated[FrequencyHz, Meta(description="no tone is lower")] = 20.0
    highest_hz: Annotated[FrequencyHz, Meta(description="no tone is higher")] = 16_000.0
    hysteresis: Annotated[float, Meta(ge=0.0, le=0.9, description="share of the way to the next tone")] = 0.1

    def __post_init__(self) -> None:
        if (self.degrees is None) == (self.ratios is None):
            raise ValueError("A scale is either degrees or ratios. Write one of them.")
        if self.degrees is not None and self.degrees[-1] >= self.steps_per_octave:
            raise ValueError(
                f"Degree {self.degrees[-1]} is not below steps_per_octave = {self.steps_per_octave}. "
                "Write the degrees of one octave."
            )
        ratios = self._ratios()
        if any(after <= before for before, after in pairwise(ratios)):
            raise ValueError("The tones of the scale do not ascend. Write the lowest first, each once.")
        if not 1.0 <= ratios[0] <= ratios[-1] < 2.0:
            raise ValueError("A ratio lies outside the octave. Write ratios from 1/1 to below 2/1.")
        if not len(self._tones()):
            raise ValueError("No tone of the scale lies from lowest_hz to highest_hz. Move them apart.")

    def _ratios(self) -> list[float]:
        if self.degrees is not None:
            return tempered(self.degrees, self.steps_per_octave)
        return [int(over) / int(under) for over, _, under in (ratio.partition("/") for ratio in self.ratios or [])]

    def _tones(self) -> Floats:
        return tones_hz(self._ratios(), self.reference_hz, lowest_hz=self.lowest_hz, highest_hz=self.highest_hz)

    def prepare(self, context: NodeContext) -> Step:
        """Finds the tones in a table; the borders between them are in the unit of the input."""
        tones = self._tones()
        nearest = Nearest(self._borders(tones), self.hysteresis)

        def step(block: Block) -> Signal:
            tuned: Slow = tones[nearest(block.slow("input"))]
            return tuned

        return step

    def _borders(self, tones: Floats) -> Floats:
        if self.unit == "degrees":
            return np.arange(0.5, len(tones) - 1) - float(np.searchsorted(tones, self.reference_hz))
        borders_hz: Floats = np.sqrt(tones[:-1] * tones[1:])
        return borders_hz if self.unit == "hz" else exact.log2(borders_hz / self.reference_hz)
