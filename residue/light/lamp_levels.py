"""What the piece wants of its lamps, at the moment at which the sound of it is heard."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf

import numpy as np
from numpy.typing import NDArray

from residue.mapping.nodes.feeds import Lamp
from residue.mapping.playback import Signals
from residue.mapping.signals import CONTROL_RATE_HZ, Signal, Span

MOST_BLOCKS = 64
"""Blocks that wait until they are heard: more than the buffer of a device holds."""
LAG_S = 0.5
"""For so long the last brightness stands where nothing follows it; then there is none."""


@dataclass(frozen=True, slots=True)
class _Block:
    heard_at_s: float
    ticks: int
    signals: Sequence[Signal | None]
    """By lamp."""

    @property
    def over_s(self) -> float:
        return self.heard_at_s + self.ticks / CONTROL_RATE_HZ

    def tick_at(self, moment_s: float) -> int:
        return int((moment_s - self.heard_at_s) * CONTROL_RATE_HZ)


class LampLevels:
    """The lamps over time: one thread puts blocks, another asks, each in the order of time.

    lamps: by name, in the order of the room.
    """

    def __init__(self, lamps: Mapping[str, Lamp]) -> None:
        self._lamps = lamps
        self._blocks: deque[_Block] = deque(maxlen=MOST_BLOCKS)
        self._asked_s = -inf

    def put(self, span: Span, signals: Signals, heard_at_s: float) -> None:
        """Takes a block, without waiting. heard_at_s: the monotonic time at which its first frame is heard."""
        if span.ticks:
            self._blocks.append(_Block(heard_at_s, span.ticks, [signals.get(name) for name in self._lamps]))

    def at(self, now_s: float) -> NDArray[np.float64] | None:
        """(lamps,): the mean from the last question to this moment, 0 to 1; None where nothing is heard then."""
        since_s, self._asked_s = self._asked_s, now_s
        while len(self._blocks) > 1 and self._blocks[1].heard_at_s <= now_s:
            self._blocks.popleft()
        block = self._blocks[0] if self._blocks else None
        if block is None or not block.heard_at_s <= now_s < block.over_s + LAG_S:
            return None
        last = min(block.tick_at(now_s), block.ticks - 1)
        first = min(last, block.tick_at(since_s) + 1 if since_s >= block.heard_at_s else 0)
        shares = [
            _mean_share(lamp, signal, slice(first, last + 1))
            for lamp, signal in zip(self._lamps.values(), block.signals, strict=True)
        ]
        return np.array(shares)


def _mean_share(lamp: Lamp, signal: Signal | None, ticks: slice) -> float:
    """The mean of a lamp's brightness over some ticks; dark where the piece gives none."""
    if not isinstance(signal, np.ndarray):
        return 0.0
    return float(np.clip((signal[ticks] - lamp.low) / (lamp.high - lamp.low), 0.0, 1.0).mean())
