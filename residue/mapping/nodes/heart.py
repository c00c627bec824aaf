"""The heart: its beats, its rate, its variability, and whether it has settled."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from typing import Annotated, Literal

import numpy as np
from msgspec import Meta

from residue.dsp.intervals import OutOfPlace, Plausible
from residue.dsp.qrs import QUICK, SURE, BeatFinder
from residue.dsp.sliding import sliding_maximum
from residue.mapping.node import Block, EventsIn, Node, NodeContext, SlowIn, Step, Trusted
from residue.mapping.nodes.beat_trust import BeatTrust, MeasuredIntervals
from residue.mapping.nodes.fields import HoldS, WindowS
from residue.mapping.nodes.shapes import InputShapes, SlowNode
from residue.mapping.nodes.staircase import SinceEvent, Staircase
from residue.mapping.signals import (
    CONTROL_RATE_HZ,
    EVENTS,
    FRAMES_PER_TICK,
    Events,
    Shape,
    Signal,
    frame_at,
)

Rate = Annotated[float, Meta(ge=10.0, le=400.0, description="beats a minute")]
PACES = {"sure": SURE, "quick": QUICK}
_SURE_OF = 4
"""The number of beats over which the trust is averaged; our choice."""


class Beats(Node, frozen=True):
    """An event for each beat in an ECG, valued with the interval from the beat before in seconds (0 for the first).

    The first beat comes at once if it is clearly strong; in noise, after two that look alike. "quick" is for live play:
    in noise, and with high T waves, it finds fewer beats and gives more false ones. Trust: how sure the last four beats
    are, by their likeness; at most 0.55 in a beat that is less like those before it than usual, as an extra beat, and
    little in several such, as while a hand touches an electrode; it fades while no beat comes. Latency: 0.25 s after
    the R wave, "quick" 0.13 s; longer for a weak beat that is found by looking back; in the first 0.15 s of a recording
    no beat is found.
    Source: after Pan and Tompkins, IEEE Trans Biomed Eng 32 (1985) 230-236.
    """

    kind = "beats"
    family = "heart"
    has_trust = True

    input: SlowIn
    pace: Annotated[Literal["sure", "quick"], Meta(description="how long it looks before it tells a beat")] = "sure"

    def gives(self, inputs: InputShapes) -> Shape:
        """Events."""
        return EVENTS

    def prepare(self, context: NodeContext) -> Step:
        """Beats wait in a queue until their latency has passed."""
        pace, waiting = PACES[self.pace], deque[tuple[int, float, float, float]]()
        trust, last = BeatTrust(_SURE_OF), BeatTrust(1)
        find, late = BeatFinder(CONTROL_RATE_HZ, pace), round(pace.late_s * CONTROL_RATE_HZ)

        def step(block: Block) -> Trusted:
            for beat in find(block.slow("input")):
                tick = max(beat.at + late, beat.known_at)
                waiting.append((tick, beat.interval / CONTROL_RATE_HZ, beat.sure, beat.as_usual))
            due = []
            while waiting and waiting[0][0] < block.span.last_tick:
                due.append(waiting.popleft())
            for tick, interval_s, sure, as_usual in due:
                trust.beat(tick * FRAMES_PER_TICK, interval_s, sure)
                last.beat(tick * FRAMES_PER_TICK, interval_s, as_usual)
            ticks = np.array([tick for tick, *_ in due], np.int64)
            events = Events(ticks * FRAMES_PER_TICK, np.array([interval_s for _, interval_s, *_ in due]))
            return Trusted(events, np.minimum(trust(block.span), last(block.span)))

        return step


class HeartRate(SlowNode, frozen=True):
    """Beats a minute from events valued with their interval in seconds: 60 over the mean of the last intervals.

    An interval that does not fit its neighbours (a beat that was missed or made up) is left out, and the rate is held;
    all intervals of an irregular heart count. A rate beyond lowest or highest is given as lowest or highest. Trust: the
    share of those intervals that fitted; 0 before the first, beyond the bounds, and while no beat comes. Latency: about
    one beat. Source: definition; 15 to 300 is a choice for human hearts.
    """

    kind = "heart_rate"
    family = "heart"
    has_trust = True

    input: EventsIn
    beats: Annotated[int, Meta(ge=1, le=120, description="how many intervals are averaged")] = 4
    lowest: Rate = 15.0
    highest: Rate = 300.0
    before_first: Annotated[float, Meta(ge=0.0, le=400.0, description="what it gives until two beats came")] = 70.0

    def __post_init__(self) -> None:
        check_rates(self.lowest, self.highest)

    def prepare(self, context: NodeContext) -> Step:
        """A staircase that changes with the beats."""
        plausible, recent = Plausible(60 / self.highest, 60 / self.lowest), deque[float](maxlen=self.beats)
        rate, trust = Staircase(self.before_first), BeatTrust(self.beats)

        def step(block: Block) -> Trusted:
            changes = []
            for frame, interval_s in intervals_of(block):
                believed = plausible(interval_s)
                if plausible.new_rhythm:
                    recent.clear()
                    recent.extend(plausible.new_rhythm[:-1])
                    trust.restart()
                if believed:
                    recent.append(interval_s)
                    changes.append((frame, 60.0 * len(recent) / math.fsum(recent)))
                elif plausible.beyond:
                    recent.clear()
                    changes.append((frame, self.lowest if interval_s > 60.0 / self.lowest else self.highest))
                trust.beat(frame, interval_s, float(believed))
            return Trusted(rate(block.span, changes), trust(block.span))

        return step


class BeatInterval(SlowNode, frozen=True):
    """The time from beat to beat, in seconds, from events valued with it: the last one that fits its neighbours.

    One of a rate beyond lowest or highest is given as that of lowest or highest.
    Trust: 1 while it is that of the last beat; 0 before the first, beyond the bounds, and while no beat comes.
    Latency: one beat. Source: definition.
    """

    kind = "beat_interval"
    family = "heart"
    has_trust = True

    input: EventsIn
    lowest: Rate = 15.0
    highest: Rate = 300.0
    before_first_s: Annotated[float, Meta(ge=0.0, le=10.0, description="what it gives until two beats came")] = 0.86

    def __post_init__(self) -> None:
        check_rates(self.lowest, self.highest)

    def prepare(self, context: NodeContext) -> Step:
        """A staircase that changes with the beats."""
        shortest_s, longest_s = 60 / self.highest, 60 / self.lowest
        plausible, held, trust = Plausible(shortest_s, longest_s), Staircase(self.before_first_s), BeatTrust(1)

        def step(block: Block) -> Trusted:
            changes = []
            for frame, interval_s in intervals_of(block):
                believed = plausible(interval_s)
                if believed or plausible.beyond:
                    changes.append((frame, min(max(interval_s, shortest_s), longest_s)))
                trust.beat(frame, interval_s, float(believed))
            return Trusted(held(block.span, changes), trust(block.span))

        return step


class Rmssd(SlowNode, frozen=True):
    """Root mean square of successive differences of the last intervals, in milliseconds.

    An interval is compared with its neighbours and the usual change of this heart: one from a beat that was missed or
    made up gives no difference, and neither does one beyond lowest or highest, nor one beside a beat that is trusted by
    less than 0.6. A beat out of its place, by a touch or as an extra beat, makes two differences of more than four
    times the usual one, up and down: both are taken back.
    Trust: the share of those intervals that gave a difference; it grows from 0 until `beats` of them came.
    Latency: about one beat. Source: Task Force of ESC and NASPE, Eur Heart J 17 (1996) 354-381; beats out of place
    after Lipponen and Tarvainen, J Med Eng Technol 43 (2019) 173-181.
    """

    kind = "rmssd"
    family = "heart"
    has_trust = True

    input: EventsIn
    beats: Annotated[int, Meta(ge=2, le=1000, description="how many intervals are looked at")] = 30
    lowest: Rate = 15.0
    highest: Rate = 300.0

    def __post_init__(self) -> None:
        check_rates(self.lowest, self.highest)

    def prepare(self, context: NodeContext) -> Step:
        """A staircase that changes with the beats; across an interval that was left out there is no difference."""
        plausible, squares = Plausible(60 / self.highest, 60 / self.lowest), deque[float](maxlen=self.beats - 1)
        variability, trust, before_s = Staircase(0.0), BeatTrust(self.beats - 1, self.beats - 1), math.nan
        out_of_place, intervals = OutOfPlace(), MeasuredIntervals()

        def step(block: Block) -> Trusted:
            nonlocal before_s
            changes = []
            for frame, interval_s, measured in intervals(block):
                is_plausible = measured and plausible(interval_s)
                gives = is_plausible and not math.isnan(before_s)
                if gives:
                    difference_s = interval_s - before_s
                    out = out_of_place(difference_s)
                    squares.append(1e6 * difference_s * difference_s)
                    for _ in range(min(out, len(squares))):
                        squares.pop()
                    gives = out == 0
                    if out == 2:
                        trust.take_back()
                    variability_ms = math.sqrt(math.fsum(squares) / max(len(squares), 1))
                    changes.append((frame, variability_ms))
                trust.beat(frame, interval_s, float(gives))
                before_s = interval_s if is_plausible else math.nan
            return Trusted(variability(block.span, changes), trust(block.span))

        return step


class Missing(SlowNode, frozen=True):
    """1 while no event has come for longer than a time, else 0: a sensor that fell off.

    Latency: longest_s.
    """

    kind = "missing"
    family = "heart"

    input: EventsIn
    longest_s: HoldS = 3.0

    def prepare(self, context: NodeContext) -> Step:
        """Compares each tick with the last event before it."""
        longest, since = frame_at(self.longest_s), SinceEvent()
        return lambda block: (since(block.span, block.events("input").frames.tolist()) > longest).astype(np.float64)


class Spread(SlowNode, frozen=True):
    """The range of a slow signal over the last window_s: its highest minus its lowest value.

    A heart rate whose spread stays small has settled.
    Latency: none.
    """

    kind = "spread"
    family = "heart"

    input: SlowIn
    window_s: WindowS = 30.0

    def prepare(self, context: NodeContext) -> Step:
        """Highest and lowest, sliding."""
        ticks = max(1, round(self.window_s * CONTROL_RATE_HZ))
        highest, lowest_negative = sliding_maximum(ticks), sliding_maximum(ticks)

        def step(block: Block) -> Signal:
            signal = block.slow("input")
            return highest(signal) + lowest_negative(-signal)

        return step


def intervals_of(block: Block) -> Iterator[tuple[int, float]]:
    """Frame and interval in seconds of each beat that has one."""
    events = block.events("input")
    return (
        (frame, value) for frame, value in zip(events.frames.tolist(), events.values.tolist(), strict=True) if value > 0
    )


def check_rates(lowest: float, highest: float) -> None:
    """Raises ValueError where there is no rate between them."""
    if lowest >= highest:
        raise ValueError(f"lowest = {lowest:g} is not below highest = {highest:g}. Exchange them.")
