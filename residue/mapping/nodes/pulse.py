"""Beats from a pulse wave, and intervals between any events."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from typing import Annotated, Literal

import numpy as np
from msgspec import Meta

from residue.dsp.pulse import KNOWN_AFTER_S, PulseFinder
from residue.dsp.pulse_peaks import PLACED_AFTER_S, PulsePeakFinder
from residue.mapping.node import Block, EventsIn, Node, NodeContext, SlowIn, Step, Trusted
from residue.mapping.nodes.beat_trust import BeatTrust
from residue.mapping.nodes.shapes import InputShapes, LikeInput
from residue.mapping.signals import AUDIO_RATE_HZ, CONTROL_RATE_HZ, EVENTS, FRAMES_PER_TICK, Events, Shape, Signal

_SURE_OF = 4
"""The number of beats over which the trust is averaged; our choice."""
_SURE_AFTER, _QUICK_AFTER = round(PLACED_AFTER_S * CONTROL_RATE_HZ), round(KNOWN_AFTER_S * CONTROL_RATE_HZ)


class PulseBeats(Node, frozen=True):
    """An event for each beat in a pulse wave, valued with the seconds since the beat before (0 for the first).

    Beats must look alike, and in noise or a drift the wave must repeat itself too; the first two or three only teach it
    that there is a heart, the first ten in much noise. After a movement it is known again
    after two or three.
    "quick" is for live play: it tells each rise of the wave at once, and in noise finds fewer beats and makes up more.
    Turn over a wave that falls with each beat, as the light that a finger lets through does.
    Trust: how sure the last four beats are that "sure" finds, by their likeness and height, and by how often the wave
    goes up and down in an interval: a sine or a sensor that is shaken is no pulse. For "quick" only those of them
    count that it found too, and once. It fades while none comes. What moves like a pulse at a walking pace is taken for
    one.
    Latency: 0.59 s after the steepest rise, "quick" 0.2 s after the rise. Source: "sure" after Scholkmann et al.,
    Algorithms 5 (2012) 588-603; "quick" an adaptive threshold, common practice.
    """

    kind = "pulse_beats"
    family = "heart"
    has_trust = True

    input: SlowIn
    pace: Annotated[Literal["sure", "quick"], Meta(description="how long it looks before it tells a beat")] = "sure"

    def gives(self, inputs: InputShapes) -> Shape:
        """Events."""
        return EVENTS

    def prepare(self, context: NodeContext) -> Step:
        """Values each beat with the way from the one before."""
        peaks, rises = _peaks(), PulseFinder(CONTROL_RATE_HZ) if self.pace == "quick" else None
        last, judged, trust, risen = 0, 0, BeatTrust(_SURE_OF), deque[int]()

        def step(block: Block) -> Trusted:
            nonlocal last, judged
            sure_peaks = peaks(block)
            told = rises(block.slow("input")) if rises else [tick for tick, _ in sure_peaks]
            if rises:
                risen.extend(tick - _QUICK_AFTER for tick in told)
            for tick, sure in sure_peaks:
                agreed = 0.0 if rises and _taken(risen, tick - _SURE_AFTER) != 1 else sure
                trust.beat(tick * FRAMES_PER_TICK, (tick - judged) / CONTROL_RATE_HZ if judged else 0.0, agreed)
                judged = tick
            ticks, values = [], []
            for tick in told:
                ticks.append(tick)
                values.append((tick - last) / CONTROL_RATE_HZ if last else 0.0)
                last = tick
            return Trusted(Events(np.array(ticks, np.int64) * FRAMES_PER_TICK, np.array(values)), trust(block.span))

        return step


def _taken(ticks: deque[int], until: int) -> int:
    """Takes those up to this one, and gives their number."""
    count = 0
    while ticks and ticks[0] <= until:
        ticks.popleft()
        count += 1
    return count


def _peaks() -> Callable[[Block], Sequence[tuple[int, float]]]:
    """The ticks at which beats are told within a block, and how sure each is.

    A beat is told a fixed time after its place, so that beats come in the rhythm of the heart.
    """
    find, late = PulsePeakFinder(CONTROL_RATE_HZ), _SURE_AFTER
    waiting = deque[tuple[int, float]]()

    def due(block: Block) -> list[tuple[int, float]]:
        waiting.extend((peak.at + late, peak.sure) for peak in find(block.slow("input")))
        told = []
        while waiting and waiting[0][0] < block.span.last_tick:
            told.append(waiting.popleft())
        return told

    return due


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
