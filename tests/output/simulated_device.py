"""A sound device with a crystal of its own, behind a machine that is late now and then."""

from __future__ import annotations

from collections.abc import Callable
from math import floor, inf, isinf

import numpy as np
from numpy.typing import NDArray

from residue.loudness.stage.capped import Capped
from residue.output.sink import Queued, SinkLostError

RATE_HZ = 48_000
BUFFER_FRAMES = 19_200
SINCE_S = 900_000.0
"""When the machine was started, by true time."""


class SimulatedDevice:
    """Plays in periods, from a moment after the first frame on; what it plays and when is known exactly.

    drift_ppm: how much faster than the true time its crystal is, by true time. wall_s: what the machine's clock shows,
    by true time. piece: a sound server in between takes frames in such pieces, and tells of it in periods. jitter_s: a
    machine is late by such times, at most, when it reads the device. begins_s: it plays so long after the first frames,
    and tells of them at once.
    """

    latency_s = BUFFER_FRAMES / RATE_HZ

    def __init__(
        self,
        drift_ppm: Callable[[float], float],
        wall_s: Callable[[float], float],
        *,
        period: int = 1_024,
        piece: int = 1,
        jitter_s: float = 0.002,
        begins_s: float = 0.02,
        seed: int = 1,
        true_s: float = 1_000_000.0,
    ) -> None:
        self.true_s = true_s
        self.late_blocks = 0
        self.gone = False
        self._drift_ppm, self.wall_s, self._jitter_s = drift_ppm, wall_s, jitter_s
        self._period, self._piece = period, piece
        self._chance = np.random.default_rng(seed)
        self._written = 0.0
        self._played = 0.0
        self._begins_s = begins_s
        self._plays_from_s = inf

    def wait(self, seconds: float) -> None:
        """Time goes by."""
        before_s, self.true_s = self.true_s, self.true_s + seconds
        self._played += max(0.0, self.true_s - max(before_s, self._plays_from_s)) * self._rate_hz
        if self._played > self._written > 0:
            self.late_blocks += 1  # it plays silence, and what comes later is heard later
            self._written = self._played

    def stand_still(self, seconds: float) -> None:
        """Time goes by and nothing is played, as where a server's own card ran dry; nothing tells of it."""
        self.true_s += seconds

    @property
    def _rate_hz(self) -> float:
        return RATE_HZ * (1.0 + self._drift_ppm(self.true_s) * 1e-6)

    def write(self, capped: Capped) -> None:
        """Never asked for by what keeps step."""
        raise AssertionError("what keeps step plays retimed frames")

    def play(self, frames: NDArray[np.float32]) -> Queued:
        if self.gone:
            raise SinkLostError("It is unplugged.")
        if isinf(self._plays_from_s):
            self._plays_from_s = self.true_s + self._begins_s
        room = BUFFER_FRAMES - len(frames)
        if self._written - self._in_periods > room:
            needed = -(-(self._written - room) // self._period) * self._period
            needed = -(-needed // self._piece) * self._piece
            self.wait(max(0.0, self._plays_from_s - self.true_s) + max(0.0, needed - self._played) / self._rate_hz)
        self._written += len(frames)
        self.wait(float(self._chance.exponential(self._jitter_s / 8.0)))
        asked_s, queued = self.true_s, self._written - self._in_periods
        self.wait(float(min(self._chance.exponential(self._jitter_s / 8.0), self._jitter_s)))
        return Queued(asked_s=asked_s - SINCE_S, at_s=self.true_s - SINCE_S, queued_frames=queued)

    @property
    def _in_periods(self) -> float:
        return floor(floor(self._played / self._piece) * self._piece / self._period) * self._period

    def set_s(self) -> float:
        """By how much the wall clock is ahead of the monotonic clock; a correction by a service counts here as well."""
        return self.wall_s(self.true_s) - (self.true_s - SINCE_S)

    @property
    def heard_wall_s(self) -> float:
        """What the machine's clock shows when the next frame that is written will be heard."""
        return self.wall_s(self.true_s + (self._written - self._played) / self._rate_hz)

    def close(self) -> None:
        pass
