"""The one protocol of everything that takes sound."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from residue.loudness.stage.capped import Capped


class SinkLostError(Exception):
    """The sink cannot be written until it is opened again: the device was unplugged, or its server ended."""


class SinkNotYetError(SinkLostError):
    """The sink is being opened: call again soon, or stop."""

    def __init__(self, why: str, leave_off: Callable[[], None]) -> None:
        super().__init__(why)
        self.leave_off = leave_off


class Sink(Protocol):
    """Takes capped frames at the pace of the house. `write` blocks until there is room: it is the engine's clock."""

    @property
    def latency_s(self) -> float:
        """From the return of `write` until the last of the frames written is heard."""

    @property
    def late_blocks(self) -> int:
        """The number of late writes with an audible gap, since the sink was opened."""

    def write(self, capped: Capped) -> None:
        """Plays these frames after those written before. Raises SinkLostError."""

    def close(self) -> None:
        """Closes the device without waiting for the last frames."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Queued:
    """What a sink has still to play at a moment.

    Moments are of the monotonic clock, which a time service leads as it leads the wall clock, and nobody sets.
    """

    asked_s: float
    """When it was asked."""
    at_s: float
    """When it had answered."""
    queued_frames: float
    """The frames that were written and not heard yet, at a moment between both; too many by up to a period of the
    device, never too few.
    """


class TimedSink(Sink, Protocol):
    """A sink that tells when its frames are heard."""

    def play(self, frames: NDArray[np.float32]) -> Queued:
        """Plays routed frames, (frames, channels of the device), that have passed the cap. Raises SinkLostError."""


Open = Callable[[], Sink]
"""Opens a sink, and opens it again after a loss.

Raises SinkNotYetError, SinkLostError while it is missing, ProblemError where it is unsuitable for the room.
"""
