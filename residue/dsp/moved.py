"""How far channels moved of late: a sensor that is stuck gives the same value again and again."""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from residue.dsp.exact import Floats
from residue.dsp.hops import HopByHop

ROUNDING = 1e-5
"""What moves by less than this share of its own level stands still: a constant that was resampled moves by 2.4e-6 of
itself, and the last digit of 16 bits of 2 g, at 1 g, is 6e-5.
"""
_HOPS = 40
"""The window is looked at in so many pieces, so what begins to move is seen a fortieth of it late. Our choice."""


class Moved:
    """The distance between the lowest and the highest of the last `window` values of each channel.

    It is 0 for a channel that stands still, and infinite until the window is filled.
    """

    def __init__(self, window: int) -> None:
        self._hop = max(1, window // _HOPS)
        self._distance = _Distance(-(-window // self._hop))
        self._by_hop: HopByHop | None = None

    def __call__(self, channels: Floats) -> Floats:
        """The distance up to each value, (channels, frames)."""
        if self._by_hop is None:
            self._by_hop = HopByHop(self._hop, self._distance, np.full(len(channels), math.inf), of=_bounds)
        return self._by_hop(channels)


class _Distance:
    """The distance between the bounds of so many hops: an object, since a checkpoint keeps no bound method."""

    def __init__(self, hops: int) -> None:
        self._bounds: deque[Floats] = deque(maxlen=hops)

    def __call__(self, bounds: Floats) -> Floats:
        """The distance in each channel, (channels,), with those of the next hop, (2 channels,)."""
        self._bounds.append(bounds)
        if len(self._bounds) < (self._bounds.maxlen or 0):
            return np.full(len(bounds) // 2, math.inf)
        low, _ = np.split(np.minimum.reduce(list(self._bounds)), 2)
        _, high = np.split(np.maximum.reduce(list(self._bounds)), 2)
        distance: Floats = high - low
        return np.where(distance > ROUNDING * np.maximum(np.abs(low), np.abs(high)), distance, 0.0)


def _bounds(hops: Floats) -> Floats:
    """The lowest of each channel over each hop, and below them the highest, (2 channels, hops)."""
    return np.concatenate((hops.min(axis=2), hops.max(axis=2)))
