"""Beats from a pulse wave, and intervals between any events."""

from __future__ import annotations

import numpy as np

from residue.dsp import filters
from residue.dsp.filters import FromFirst, SosFilter
from residue.dsp.sliding import sliding_sum
from residue.mapping.node import Block, EventsIn, Node, NodeContext, SlowIn, Step
from residue.mapping.nodes.shapes import LikeInput, Shapes
from residue.mapping.signals import AUDIO_RATE_HZ, CONTROL_RATE_HZ, EVENTS, FRAMES_PER_TICK, Events, Shape, Signal


class PulseBeats(Node, frozen=True):
    """An event for each rise of a pulse wave, valued with the interval from the rise before in seconds (0: the first).

    Latency: 0.2 s after the steepest rise. Source: two moving means, after Elgendi et al., PLoS ONE 8 (2013) e76585.
    """

    kind = "pulse_beats"
    family = "heart"

    input: SlowIn

    def gives(self, inputs: Shapes) -> Shape:
        """Events."""
        return EVENTS

    def prepare(self, context: NodeContext) -> Step:
        """A beat is where the short mean stays above the long one for as long as the short one is."""
        level, band = FromFirst(), SosFilter(filters.bandpass(*_BAND_HZ, CONTROL_RATE_HZ))
        short, long = sliding_sum(_SHORT), sliding_sum(_LONG)
        above_for, last = 0, -_APART

        def step(block: Block) -> Signal:
            nonlocal above_for, last
            rising = np.maximum(band(level(block.slow("input"))), 0.0)
            squares = rising * rising
            mean = long(squares) / _LONG
            above = (short(squares) / _SHORT > mean * (1.0 + _MARGIN)) & (mean > _LEAST)
            ticks, values = [], []
            # Runs of ticks above: each counts once, when it has become long enough.
            edges = np.flatnonzero(np.diff(np.concatenate(([False], above, [False])).astype(np.int8)))
            for begin, end in zip(edges[0::2].tolist(), edges[1::2].tolist(), strict=True):
                before = above_for if begin == 0 else 0
                tick = block.span.first_tick + begin + _SHORT - before - 1
                if before < _SHORT <= before + end - begin and tick - last >= _APART:
                    values.append((tick - last) / CONTROL_RATE_HZ if last >= 0 else 0.0)
                    ticks.append(tick)
                    last = tick
            if len(above):
                tail = len(above) - (int(np.flatnonzero(~above)[-1]) + 1 if not above.all() else 0)
                above_for = tail + (above_for if above.all() else 0)
            return Events(np.array(ticks, np.int64) * FRAMES_PER_TICK, np.array(values))

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


_BAND_HZ = (0.5, 8.0)
_SHORT = round(0.111 * CONTROL_RATE_HZ)
_LONG = round(0.667 * CONTROL_RATE_HZ)
_MARGIN = 0.02
_APART = round(0.27 * CONTROL_RATE_HZ)
_LEAST = 1e-18
