"""A frozen moment of sound."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from msgspec import Meta

from residue.dsp.delay import DelayLine
from residue.dsp.exact import TURN, Floats, cosine
from residue.mapping.node import Block, FastIn, NodeContext, SlowIn, Step
from residue.mapping.nodes.shapes import LikeInput
from residue.mapping.signals import FRAMES_PER_TICK, HALF, Fast, Signal, Slow, Span, frame_at


class Freeze(LikeInput, frozen=True):
    """Keeps the last moment of its input sounding for as long as `frozen` is above a half; silent otherwise.

    The last length_s before the moment repeat with overlap, so that no seam is heard; the sound fades in and out over
    fade_s. A freeze that begins while the one before still fades continues with the sound of that one.
    Latency: none. Source: two overlapping windows (raised cosines) that add up to 1.
    """

    kind = "freeze"
    family = "memory"

    input: FastIn
    frozen: SlowIn
    length_s: Annotated[float, Meta(ge=0.02, le=30.0, description="how much of the past is kept")] = 1.0
    fade_s: Annotated[float, Meta(ge=0.005, le=60.0, description="time to fade in and out")] = 0.5

    def prepare(self, context: NodeContext) -> Step:
        """Goes from change to change; each change is at a tick."""
        frozen = _Frozen(
            channels=context.shape("input").channels, length=frame_at(self.length_s), fade=frame_at(self.fade_s)
        )

        def step(block: Block) -> Signal:
            sound = block.fast("input")
            out = np.empty_like(sound)
            for start, stop, is_frozen in runs(block.span, block.slow("frozen"), frozen.wanted):
                out[:, start:stop] = frozen(sound[:, start:stop], wanted=is_frozen)
            return out

        return step


def runs(span: Span, frozen: Slow, before: bool) -> list[tuple[int, int, bool]]:  # noqa: FBT001 (a state, no switch)
    """Stretches (start, stop, whether it is frozen: above a half) of the span, in its own frames."""
    states = frozen > HALF
    changes = np.flatnonzero(states != np.concatenate(([before], states))[:-1])
    starts = (span.first_tick + changes) * FRAMES_PER_TICK - span.start
    edges = [0, *starts.tolist(), span.frames]
    wanted = [before, *states[changes].tolist()]
    return [(start, stop, one) for start, stop, one in zip(edges[:-1], edges[1:], wanted, strict=True) if start < stop]


class _Frozen:
    """A frozen sound and its fades. length (made even), fade: in frames."""

    def __init__(self, *, channels: int, length: int, fade: int) -> None:
        self._half, self._fade = length // 2, fade
        length = 2 * self._half
        self._recent = DelayLine(channels, length)
        phase = np.floor(np.arange(length) / length * TURN).astype(np.uint64)
        self._window = 0.5 - 0.5 * cosine(phase)
        self._kept: Floats = np.zeros((channels, length))
        self._level = self._at = 0  # frames of fade so far, frames since the sound was kept
        self.wanted = False

    def __call__(self, sound: Fast, *, wanted: bool) -> Fast:
        """The output over these frames, (channels, frames), during which `wanted` does not change."""
        if wanted and not self._level:
            self._kept, self._at = self._recent.oldest(self._recent.length), 0
        self.wanted = wanted
        self._recent(sound)
        frames = sound.shape[1]
        steps = np.arange(1, frames + 1) if wanted else -np.arange(1, frames + 1)
        levels = np.clip(self._level + steps, 0, self._fade)
        self._level = int(levels[-1])
        if not levels.any():
            return np.zeros_like(sound)
        # Adding zero makes the zeros after a fade positive, as they are where nothing sounds.
        faded: Fast = self._going_round(frames) * (levels / self._fade) + 0.0
        return faded

    def _going_round(self, frames: int) -> Fast:
        length = len(self._window)
        here = (self._at + np.arange(frames)) % length
        there = (here + self._half) % length
        self._at += frames
        sound: Fast = self._kept[:, here] * self._window[here] + self._kept[:, there] * self._window[there]
        return sound
