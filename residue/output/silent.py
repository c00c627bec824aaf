"""A silent sink, at the pace of a real one."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from residue.loudness.stage.capped import Capped
from residue.mapping.signals import AUDIO_RATE_HZ, seconds
from residue.output.sink import Queued

BUFFER_S = 0.4
"""Frames may be written so long before they are heard, as with a sound device."""


class Pace:
    """Keeps writing at the rate of the house, on absolute deadlines, so that nothing drifts."""

    def __init__(
        self, monotonic_s: Callable[[], float] = time.monotonic, sleep: Callable[[float], None] = time.sleep
    ) -> None:
        self._monotonic_s = monotonic_s
        self._sleep = sleep
        self._first_heard_s: float | None = None
        self._frames = 0

    @property
    def queued_frames(self) -> float:
        """The frames that are not heard yet."""
        heard_s = 0.0 if self._first_heard_s is None else self._monotonic_s() - self._first_heard_s
        return self._frames - heard_s * AUDIO_RATE_HZ

    def keep(self, frames: int) -> bool:
        """Waits until a buffer of BUFFER_S has room for so many more frames; False if it was empty before."""
        now_s = self._monotonic_s()
        if self._first_heard_s is None:  # a device begins with a buffer of silence
            self._first_heard_s = now_s + BUFFER_S
        in_time = now_s <= self._first_heard_s + seconds(self._frames)
        if not in_time:
            self._first_heard_s, self._frames = now_s, 0
        self._frames += frames
        wait_s = self._first_heard_s + seconds(self._frames) - BUFFER_S - now_s
        if wait_s > 0:
            self._sleep(wait_s)
        return in_time


class SilentSink:
    """Takes frames at their rate and plays them nowhere."""

    latency_s = BUFFER_S

    def __init__(self, pace: Pace | None = None, monotonic_s: Callable[[], float] = time.monotonic) -> None:
        self._pace = pace or Pace()
        self._monotonic_s = monotonic_s
        self.late_blocks = 0

    def write(self, capped: Capped) -> None:
        """Waits as long as a device would."""
        self.late_blocks += not self._pace.keep(capped.frames.shape[1])

    def play(self, frames: NDArray[np.float32]) -> Queued:
        """Waits as long as a device would, and tells what is left to play."""
        self.late_blocks += not self._pace.keep(len(frames))
        asked_s, queued_frames = self._monotonic_s(), self._pace.queued_frames
        return Queued(asked_s=asked_s, at_s=self._monotonic_s(), queued_frames=queued_frames)

    def close(self) -> None:
        """Does nothing: there is no device to close."""
