"""Sensors that are scripts, and a sound device that is an array."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from residue.live.messages import Arrival
from residue.mapping.signals import AUDIO_RATE_HZ


@dataclass
class Clock:
    """Stands where the sound input has come to."""

    frame: int = 0

    def monotonic_s(self) -> float:
        return self.frame / AUDIO_RATE_HZ


@dataclass
class FakeSound:
    """A sound input that gives an array, (channels, frames), and silence after it."""

    frames: NDArray[np.float32]
    clock: Clock

    def read(self, frames: int) -> NDArray[np.float32]:
        part = self.frames[:, self.clock.frame : self.clock.frame + frames]
        self.clock.frame += frames
        return np.pad(part, ((0, 0), (0, frames - part.shape[1])))

    def close(self) -> None:
        """Nothing to let go of."""


@dataclass
class FakeArrivals:
    """Messages that come at their time on the clock."""

    clock: Clock
    coming: Sequence[Arrival] = field(default_factory=list)
    _taken: int = 0

    def take(self) -> Sequence[Arrival]:
        due = [one for one in self.coming[self._taken :] if one.at_s <= self.clock.monotonic_s()]
        self._taken += len(due)
        return due
