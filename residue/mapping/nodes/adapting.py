"""A scale that follows the body."""

from __future__ import annotations

from collections import deque
from typing import Annotated

import numpy as np
from msgspec import Meta

from residue.dsp import filters
from residue.dsp.filters import FromFirst, SosFilter
from residue.mapping.node import Block, NodeContext, SlowIn, Step
from residue.mapping.nodes.shapes import SlowNode
from residue.mapping.signals import CONTROL_RATE_HZ, Signal, Slow


class Adapt(SlowNode, frozen=True):
    """0 at what has been low of late and 1 at what has been high, bounded: for a body whose range is not known before.

    Low and high are the 10th and 90th percentile of the last over_s, so that single outliers do not count.
    Latency: none; the scale itself follows within a second. Source: running percentiles of means over 0.1 s.
    """

    kind = "adapt"
    family = "conditioning"

    input: SlowIn
    over_s: Annotated[float, Meta(ge=1.0, le=600.0, description="how far back the range is taken from")] = 60.0

    def prepare(self, context: NodeContext) -> Step:
        """The range is renewed each tenth of a second, and smoothed."""
        recent = deque[float](maxlen=round(self.over_s * CONTROL_RATE_HZ / _HOP))
        waiting = np.empty(0)
        level, smooth = FromFirst(), SosFilter(filters.smoother(_SMOOTH_S, CONTROL_RATE_HZ), 2)
        low_high = np.array([0.0, 0.0])

        def step(block: Block) -> Signal:
            nonlocal waiting, low_high
            signal = level(block.slow("input"))
            ranges = np.empty((2, len(signal)))
            done = 0
            while done < len(signal):
                piece = signal[done : done + _HOP - len(waiting)]
                ranges[:, done : done + len(piece)] = low_high[:, None]
                waiting = np.concatenate((waiting, piece))
                done += len(piece)
                if len(waiting) == _HOP:
                    recent.append(float(np.add.reduce(waiting)) / _HOP)
                    low_high = np.percentile(np.array(recent), _PERCENTILES)
                    waiting = np.empty(0)
            low, high = smooth(ranges)
            adapted: Slow = np.clip((signal - low) / np.maximum(high - low, _LEAST), 0.0, 1.0)
            return adapted

        return step


_HOP = CONTROL_RATE_HZ // 10
_SMOOTH_S = 0.5
_PERCENTILES = (10.0, 90.0)
_LEAST = 1e-12
