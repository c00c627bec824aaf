"""A scale that follows the body."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from msgspec import Meta

from residue.dsp import filters
from residue.dsp.filters import FromFirst, SosFilter
from residue.dsp.percentiles import RunningPercentiles
from residue.mapping.node import Block, NodeContext, SlowIn, Step, Trusted
from residue.mapping.nodes.shapes import SlowNode
from residue.mapping.signals import CONTROL_RATE_HZ


class Adapt(SlowNode, frozen=True):
    """Scales a signal by its own recent range: 0 is low, 1 is high. Use it for a body whose range is not known before.

    Low and high are the 10th and 90th percentile of the last over_s, so that single outliers do not count; the output
    stays between 0 and 1. It begins at 0 and opens over the first 10 s (or over_s), while the range becomes known. No
    range counts as smaller than a hundredth of the widest so far, so that a body at rest gives no noise.
    Trust: 0 at the beginning, rising to 1 over those 10 s.
    Latency: none; the scale itself follows within a second. Source: running percentiles of means over 0.1 s.
    """

    kind = "adapt"
    family = "conditioning"
    has_trust = True

    input: SlowIn
    over_s: Annotated[float, Meta(ge=1.0, le=600.0, description="how far back the range is taken from")] = 60.0

    def prepare(self, context: NodeContext) -> Step:
        """The range is renewed each tenth of a second, and smoothed."""
        percentiles = RunningPercentiles(round(self.over_s * CONTROL_RATE_HZ / _HOP), _SHARES)
        opens_over = min(self.over_s, _OPENS_OVER_S) * CONTROL_RATE_HZ
        waiting, seen = np.empty(0), 0
        level, smooth = FromFirst(), SosFilter(filters.smoother(_SMOOTH_S, CONTROL_RATE_HZ), 2)
        low, width, widest = 0.0, 0.0, 0.0

        def step(block: Block) -> Trusted:
            nonlocal waiting, seen, low, width, widest
            signal = level(block.slow("input"))
            ranges = np.empty((2, len(signal)))
            done = 0
            while done < len(signal):
                piece = signal[done : done + _HOP - len(waiting)]
                ranges[0, done : done + len(piece)], ranges[1, done : done + len(piece)] = low, width
                waiting = np.concatenate((waiting, piece))
                done += len(piece)
                if len(waiting) == _HOP:
                    low, high = percentiles(float(np.add.reduce(waiting)) / _HOP)
                    widest = max(widest, high - low)
                    width = max(high - low, _SMALLEST * widest)
                    waiting = np.empty(0)
            opened = np.minimum((seen + np.arange(len(signal))) / opens_over, 1.0)
            seen += len(signal)
            lows, widths = smooth(ranges)
            # A range that was smoothed from 0 would make everything large in the beginning.
            widths = np.maximum(np.maximum(widths, _NARROWEST * ranges[1]), _LEAST)
            return Trusted(opened * np.clip((signal - lows) / widths, 0.0, 1.0), opened)

        return step


_HOP = CONTROL_RATE_HZ // 10
_SMOOTH_S = 0.5
_OPENS_OVER_S = 10.0
"""Two breaths at rest; our choice."""
_NARROWEST = 0.1
"""The least share of the present range that counts, while the smoothed range follows."""
_SMALLEST = 0.01
"""The least share of the widest range so far; our choice."""
_SHARES = (0.1, 0.9)
_LEAST = 1e-12
