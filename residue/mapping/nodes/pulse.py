"""Beats from a pulse wave, and intervals between any events."""

from __future__ import annotations

import numpy as np

from residue.dsp.pulse import PulseFinder
from residue.mapping.node import Block, EventsIn, Node, NodeContext, SlowIn, Step, Trusted
from residue.mapping.nodes.beat_trust import BeatTrust
from residue.mapping.nodes.shapes import InputShapes, LikeInput
from residue.mapping.signals import AUDIO_RATE_HZ, CONTROL_RATE_HZ, EVENTS, FRAMES_PER_TICK, Events, Shape, Signal

_SURE_OF = 4
"""The number of rises over which the trust is averaged; our choice."""


class PulseBeats(Node, frozen=True):
    """An event for each rise of a pulse wave, valued with the seconds since the rise before (0 for the first).

    A rise must look like those before it, so that noise gives no events.
    Trust: how sure the last four rises are; it fades while none comes.
    Latency: 0.2 s after the rise. Source: adaptive threshold, common practice.
    """

    kind = "pulse_beats"
    family = "heart"
    has_trust = True

    input: SlowIn

    def gives(self, inputs: InputShapes) -> Shape:
        """Events."""
        return EVENTS

    def prepare(self, context: NodeContext) -> Step:
        """Values each beat with the time from the one before."""
        find, last, trust = PulseFinder(CONTROL_RATE_HZ), 0, BeatTrust(_SURE_OF)

        def step(block: Block) -> Trusted:
            nonlocal last
            ticks, values = find(block.slow("input")), []
            for tick in ticks:
                values.append((tick - last) / CONTROL_RATE_HZ if last else 0.0)
                trust.beat(tick * FRAMES_PER_TICK, values[-1], 1.0)
                last = tick
            return Trusted(Events(np.array(ticks, np.int64) * FRAMES_PER_TICK, np.array(values)), trust(block.span))

        return step


class Intervals(LikeInput, frozen=True):
    """The same events, each valued with the time since the one before in seconds (0 for the first).

    Latency: none.
    """

    kind = "intervals"
    family = "heart"

    input: EventsIn

    def prepare(self, context: NodeContext) -> Step:
        """Remembers the last event."""
        last = np.empty(0, np.int64)

        def step(block: Block) -> Signal:
            nonlocal last
            frames = block.events("input").frames
            known = np.concatenate((last, frames))
            last = known[-1:]
            intervals_s = np.diff(known) / AUDIO_RATE_HZ
            return Events(frames.copy(), np.concatenate((np.zeros(len(frames) - len(intervals_s)), intervals_s)))

        return step
