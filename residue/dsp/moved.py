"""How far channels moved of late: a sensor that is stuck gives the same value again and again."""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from residue.dsp.exact import Floats

_ROUNDING = 1e-5
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
        self._hops: deque[tuple[Floats, Floats]] = deque(maxlen=-(-window // self._hop))
        self._waiting: Floats | None = None
        self._now: Floats | None = None

    def __call__(self, channels: Floats) -> Floats:
        """The distance up to each value, (channels, frames)."""
        if self._now is None or self._waiting is None:
            self._now, self._waiting = np.full(len(channels), math.inf), channels[:, :0]
        waited = self._waiting.shape[1]
        known = np.concatenate((self._waiting, channels), axis=1)
        count = known.shape[1] // self._hop
        hops = known[:, : count * self._hop].reshape(len(known), count, self._hop)
        states = [self._now]
        for low, high in zip(hops.min(axis=2).T, hops.max(axis=2).T, strict=True):
            self._hops.append((low, high))
            states.append(self._distance())
        self._now, self._waiting = states[-1], known[:, count * self._hop :].copy()
        at = (waited + np.arange(1, channels.shape[1] + 1)) // self._hop
        moved: Floats = np.stack(states, axis=1)[:, at]
        return moved

    def _distance(self) -> Floats:
        if len(self._hops) < (self._hops.maxlen or 0):
            return np.full(len(self._hops[0][0]), math.inf)
        low = np.minimum.reduce([low for low, _ in self._hops])
        high = np.maximum.reduce([high for _, high in self._hops])
        distance: Floats = high - low
        return np.where(distance > _ROUNDING * np.maximum(np.abs(low), np.abs(high)), distance, 0.0)
