"""The effect of breath on the heart."""

from __future__ import annotations

import math
from collections import deque
from typing import Annotated, Literal

import numpy as np
from msgspec import Meta

from residue.dsp import filters
from residue.dsp.filters import SosFilter
from residue.dsp.intervals import OutOfPlace, Plausible
from residue.dsp.sliding import SlidingMean
from residue.mapping.node import Block, EventsIn, NodeContext, Step, Trusted
from residue.mapping.nodes.beat_trust import BeatTrust, MeasuredIntervals
from residue.mapping.nodes.fields import WindowS
from residue.mapping.nodes.heart import Rate, check_rates
from residue.mapping.nodes.shapes import SlowNode
from residue.mapping.nodes.staircase import Staircase
from residue.mapping.signals import CONTROL_RATE_HZ


class RespiratoryModulation(SlowNode, frozen=True):
    """The effect of breath on the time from beat to beat: shorter when breathing in, longer when breathing out.

    The input is events valued with their interval in seconds. "wave" is the movement itself in ms, around 0; "depth"
    is the difference in ms between the shortest and the longest, over the last window_s.
    An interval beside a beat that is trusted by less than 0.6 is left out, and those of a beat out of its place are
    taken back, as by `rmssd`.
    Trust: the share of the last intervals that were not, and fitted their neighbours; it fades while no beat comes.
    Latency: about two breaths. Source: high-frequency band of Task Force of ESC and NASPE, Eur Heart J 17 (1996)
    354-381, 0.15 to 0.4 Hz; depth of a sine of the same power.
    """

    kind = "respiratory_modulation"
    family = "heart"
    has_trust = True

    input: EventsIn
    measure: Annotated[Literal["wave", "depth"], Meta(description="the movement, or how far it goes")] = "depth"
    window_s: WindowS = 20.0
    lowest: Rate = 30.0
    highest: Rate = 220.0

    def __post_init__(self) -> None:
        check_rates(self.lowest, self.highest)

    def prepare(self, context: NodeContext) -> Step:
        """The staircase of the intervals, counted from the first one, through the band of breathing."""
        plausible, steps = Plausible(60 / self.highest, 60 / self.lowest), Staircase(0.0)
        band = SosFilter(filters.bandpass(_BAND_HZ, CONTROL_RATE_HZ, _ORDER))
        mean = SlidingMean(max(1, round(self.window_s * CONTROL_RATE_HZ)))
        first_s, before_s, trust, intervals = math.nan, math.nan, BeatTrust(_SURE_OF), MeasuredIntervals()
        out_of_place, kept_s = OutOfPlace(), deque[float](maxlen=3)

        def step(block: Block) -> Trusted:
            nonlocal first_s, before_s
            changes = []
            for frame, interval_s, measured in intervals(block):
                believed = measured and plausible(interval_s)
                out = 0
                if believed:
                    first_s = interval_s if math.isnan(first_s) else first_s
                    out = 0 if math.isnan(before_s) else out_of_place(interval_s - before_s)
                    kept_s.append(interval_s)
                    for _ in range(min(out, len(kept_s) - 1)):
                        kept_s.pop()
                    changes.append((frame, 1000.0 * (kept_s[-1] - first_s)))
                before_s = interval_s if believed else math.nan
                if out == 2:
                    trust.take_back()
                trust.beat(frame, interval_s, float(believed and not out))
            wave = band(steps(block.span, changes))
            moved = wave if self.measure == "wave" else _PEAK_TO_PEAK * np.sqrt(mean(wave * wave))
            return Trusted(moved, trust(block.span))

        return step


_BAND_HZ = (0.15, 0.4)
_ORDER = 4
_SURE_OF = 8
"""The number of intervals over which the trust is averaged, about two breaths; our choice."""
_PEAK_TO_PEAK = 2.8284271247461903
"""The peak-to-peak height of a sine, divided by its root mean square."""
