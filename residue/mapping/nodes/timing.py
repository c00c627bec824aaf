"""A pulse, and events that are moved to a pulse."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from msgspec import Meta

from residue.dsp.phase import Pulses
from residue.mapping.node import Block, Drive, EventsIn, Node, NodeContext, Ramp, Step
from residue.mapping.nodes.events import listed
from residue.mapping.nodes.shapes import InputShapes, LikeInput
from residue.mapping.signals import AUDIO_RATE_HZ, EVENTS, Events, Shape, Signal, frame_at


class Tempo(Node, frozen=True):
    """A steady pulse from the first moment on: events, valued with the time since the one before (0 for the first).

    A driven tempo is followed without a jump.
    Latency: none (a driven tempo lags by 0.5 ms). Source: integer phase; a period of whole frames is exact to the
    frame.
    """

    kind = "tempo"
    family = "pitch and time"

    beats_per_minute: Annotated[float, Meta(ge=0.1, le=1200.0, description="beats in a minute")] | Drive = 60.0
    divide: Annotated[int, Meta(ge=1, le=64, description="pulses to a beat")] = 1

    def gives(self, inputs: InputShapes) -> Shape:
        """Events."""
        return EVENTS

    def prepare(self, context: NodeContext) -> Step:
        """Finds where a phase begins its turns."""
        pulses, ramp, last = Pulses(AUDIO_RATE_HZ), Ramp(), 0

        def step(block: Block) -> Signal:
            nonlocal last
            per_minute = ramp(block.span, block.controls["beats_per_minute"])
            frames = block.span.start + pulses(per_minute * (self.divide / 60.0), block.span.frames)
            ways = np.diff(np.concatenate(([last], frames)))
            last = int(frames[-1]) if len(frames) else last
            return Events(frames, ways / AUDIO_RATE_HZ)

        return step


class OnPulse(LikeInput, frozen=True):
    """Moves events to a pulse: each waits for the next event of `pulse`, and keeps its value.

    If several wait, one passes: the first, the last or the highest. An event within late_s after a pulse on which no
    event passed does not wait. The pulse may be a tempo, or the heart.
    Latency: until the next pulse.
    """

    kind = "on_pulse"
    family = "pitch and time"

    input: EventsIn
    pulse: EventsIn
    keep: Annotated[Literal["first", "last", "highest"], Meta(description="which of several passes")] = "last"
    late_s: Annotated[float, Meta(ge=0.0, le=10.0, description="so long after a pulse an event still passes")] = 0.0

    def prepare(self, context: NodeContext) -> Step:
        """An event at the moment of a pulse passes with it."""
        late, closes = frame_at(self.late_s), -1  # the frame up to which an event still passes on the pulse before
        waiting: float | None = None

        def kept(value: float) -> float:
            if waiting is None or self.keep == "last":
                return value
            return waiting if self.keep == "first" else max(waiting, value)

        def step(block: Block) -> Signal:
            nonlocal closes, waiting
            events, passed = block.events("input"), []
            values = zip(events.frames.tolist(), events.values.tolist(), strict=True)
            happened = [(frame, False, value) for frame, value in values]
            happened += [(frame, True, 0.0) for frame in block.events("pulse").frames.tolist()]
            for frame, is_pulse, value in sorted(happened, key=lambda one: one[:2]):
                if not is_pulse and frame > closes:
                    waiting = kept(value)
                elif not is_pulse:
                    passed.append((frame, value))
                    closes = -1
                elif waiting is None:
                    closes = frame + late
                else:
                    passed.append((frame, waiting))
                    waiting, closes = None, -1
            return listed(passed)

        return step
