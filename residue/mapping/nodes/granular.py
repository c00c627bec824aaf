"""Grains of the recent past."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from msgspec import Meta

from residue.dsp.cloud import Cloud, Grain
from residue.dsp.exact import total
from residue.dsp.shaping import entering, leaving
from residue.dsp.varispeed import ONE
from residue.mapping.node import Block, Drive, FastIn, MaybeSlowIn, Node, NodeContext, Step
from residue.mapping.nodes.controls import at_ticks, gains
from residue.mapping.nodes.fields import GainDb, Unity
from residue.mapping.nodes.freezing import runs
from residue.mapping.nodes.shapes import InputShapes, highest_of
from residue.mapping.signals import AUDIO_RATE_HZ, CONTROL_RATE_HZ, FRAMES_PER_TICK, Kind, Shape, Signal, frame_at

_LONGEST_S, _HIGHEST_RATIO = 1.0, 4.0


class GrainCloud(Node, frozen=True, kw_only=True):
    """A cloud of short windowed grains of the input's past, at any pitch and any place.

    A grain plays a piece of the input that ended back_s, and by chance up to scatter_s more, before the grain begins.
    While `captured` is above a half the cloud records nothing new: it plays from the last memory_s before. Grains begin
    by chance, grains_per_s of them on average. The more grains overlap, the softer each is, so that the level stays
    about the same. At most 64 sound at once; one more is left out. 64 grains cost a seventh of a core, two a hundredth.
    A grain for which a section asks more than memory_s is as long as the memory allows.
    Several input channels are summed to one first. The output is left and right, the grains alone.
    Latency: back_s, and the length of the grain times its ratio. Source: Gabor's grains (Nature 159 (1947) 591-594),
    scattered as Roads has it (Computer Music Journal 12 (1988) 11-13); Hann's window; PCG64, one chance each tick; read
    by a cubic through four frames, low-passed where raised.
    """

    kind = "grains"
    family = "memory"

    input: FastIn
    captured: MaybeSlowIn = None
    memory_s: Annotated[float, Meta(ge=0.1, le=60.0, description="how much of the past is kept")] = 10.0
    grain_s: Annotated[float, Meta(ge=0.005, le=_LONGEST_S, description="length of a grain")] | Drive = 0.1
    grains_per_s: Annotated[float, Meta(ge=0.0, le=400.0, description="how many begin in a second")] | Drive = 20.0
    back_s: Annotated[float, Meta(ge=0.0, le=60.0, description="how far back a grain ends, at least")] | Drive = 0.0
    scatter_s: Annotated[float, Meta(ge=0.0, le=60.0, description="how much further back by chance")] | Drive = 0.5
    ratio: (
        Annotated[float, Meta(ge=0.25, le=_HIGHEST_RATIO, description="its pitch over the pitch that was heard")]
        | Drive
    ) = 1.0
    spread: Unity | Drive = 1.0
    gain_db: GainDb | Drive = 0.0

    def __post_init__(self) -> None:
        longest_s = highest_of(self.grain_s) * max(1.0, highest_of(self.ratio))
        if longest_s > self.memory_s:
            raise ValueError(
                f"A grain that reads {longest_s:g} s does not fit into memory_s = {self.memory_s:g}. "
                "Make the memory longer, or the grains shorter."
            )

    def gives(self, inputs: InputShapes) -> Shape:
        """Two channels of sound."""
        return Shape(Kind.FAST, 2)

    def prepare(self, context: NodeContext) -> Step:
        """Decides at each tick whether a grain begins within it."""
        longest = frame_at(_LONGEST_S if "grain_s" in context.moving else highest_of(self.grain_s))
        highest = _HIGHEST_RATIO if "ratio" in context.moving else highest_of(self.ratio)
        cloud = Cloud(frame_at(self.memory_s), longest=longest, highest=round(highest * ONE), rate_hz=AUDIO_RATE_HZ)
        random, captured = context.random(), False

        def step(block: Block) -> Signal:
            nonlocal captured
            span, sound, frozen = block.span, total(block.fast("input")), block.maybe_slow("captured")
            cloud.begin(_grains(block, random(span.ticks * _DRAWS).reshape(-1, _DRAWS)))
            parts = []
            for start, stop, keeps in runs(span, np.zeros(span.ticks) if frozen is None else frozen, captured):
                parts.append(np.zeros((2, stop - start)))
                cloud(None if keeps else sound[start:stop], span.start + start, parts[-1])
                captured = keeps
            return parts[0] if len(parts) == 1 else np.concatenate((np.zeros((2, 0)), *parts), axis=1)

        return step


_DRAWS = 4
"""The draws at each tick: whether a grain begins, at which frame, how far back, and at which place."""


def _grains(block: Block, draws: np.ndarray) -> list[Grain]:
    """The grains that begin within the ticks of a span."""
    ticks = block.span.ticks
    values = {name: at_ticks(control, ticks) for name, control in block.controls.items()}
    per_s, grain_s = values["grains_per_s"], values["grain_s"]
    begun = np.flatnonzero(draws[:, 0] < per_s / CONTROL_RATE_HZ)
    if not len(begun):
        return []
    frames = (block.span.first_tick + begun) * FRAMES_PER_TICK + np.floor(draws[begun, 1] * FRAMES_PER_TICK)
    lengths = np.floor(grain_s[begun] * AUDIO_RATE_HZ + 0.5)
    backs = np.floor((values["back_s"] + values["scatter_s"] * draws[:, 2])[begun] * AUDIO_RATE_HZ)
    steps = np.floor(values["ratio"][begun] * ONE + 0.5)
    levels = (gains(values["gain_db"]) / np.sqrt(np.maximum(per_s * grain_s, 1.0)))[begun]
    places = 0.5 + (draws[begun, 3] - 0.5) * values["spread"][begun]
    left, right = levels * leaving(places), levels * entering(places)
    table = np.stack((frames, lengths, backs, steps)).astype(np.int64).T.tolist()
    sides = np.stack((left, right)).T.tolist()
    return [
        Grain(frame=frame, length=length, back=back, step=step, gains=tuple(side))
        for (frame, length, back, step), side in zip(table, sides, strict=True)
    ]
