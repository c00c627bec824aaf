"""A sink whose sound keeps step with the clock of the machine, and so with every room whose clock is right.

Each hop of the engine is heard at a whole tenth of a second of that clock. The readings of the device say when a frame
is heard; a servo feeds the device a few millionths faster or slower, so that this stays so (see servo.py). Where it is
too far off to be led back - after the opening, a gap, a step of the clock - the sink is out of step until it has been
silent, and begins again at the next tenth of a second. After a gap it falls silent within a hop, as the cap stage lets
it at any time, and waits for no writer that fades out.
"""

from __future__ import annotations

import logging
import math
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import chain, repeat

import numpy as np
from numpy.typing import NDArray

from residue.dsp.retiming import ONE, Retimer
from residue.loudness.meters.hops import HOP_RATE_HZ, HOP_S, HOPS_A_SECOND
from residue.loudness.stage.capped import Capped
from residue.loudness.stage.ending import RISE
from residue.output.heard_line import FEWEST, HeardLine
from residue.output.routing import Routing
from residue.output.servo import Servo
from residue.output.sink import TimedSink

logger = logging.getLogger(__name__)

SEEK_HOPS = 30
"""The readings from which it is known when a frame is heard, before a room falls in."""
ASTRAY_S = 0.005
"""A larger skew is not led back, which would take minutes, but ends in silence. Two sounds that are so far apart in the
air of one room still merge into one: common practice, no source.
"""
LEAVE_HOPS = 16
"""How long the sound may take to fade, with what the cap stage still holds."""
STEP_S = 0.001
"""If the wall clock moves by so much against the monotonic clock from one hop to the next, it was set."""
_LOOKS = 5


def hop_at(moment_s: float) -> int:
    """The number of the hop that begins at a moment, in seconds since 1970."""
    return round(moment_s * HOPS_A_SECOND)


def wall_clock_set_s() -> float:
    """By how much the wall clock is ahead of the monotonic clock, in seconds; of some looks, the one least held up."""
    looks = [(time.monotonic(), time.time(), time.monotonic()) for _ in range(_LOOKS)]
    before_s, wall_s, after_s = min(looks, key=lambda look: look[2] - look[0])
    return wall_s - (before_s + after_s) / 2.0


@dataclass(frozen=True, slots=True)
class Skew:
    """How far a room is from its clock."""

    late_s: float
    """Above 0 if the sound is late."""
    faster_ppm: float
    """By how much faster than it was made the sound is played: the error of the device's clock, once settled."""


class InStepSink:
    """Plays on a sink that tells when its frames are heard.

    behind_s: the time that the equipment behind the device takes. hop: the hop of the clock at which the next block
    begins to be heard; None while it is out of step, when the writer has to become silent. skew: None meanwhile.
    """

    def __init__(
        self,
        line: TimedSink,
        routing: Routing,
        servo: Servo,
        behind_s: float,
        set_s: Callable[[], float] = wall_clock_set_s,
    ) -> None:
        """set_s: by how much the wall clock is ahead of the monotonic clock."""
        self._line = line
        self._routing = routing
        self._servo = servo
        self._behind_s = behind_s
        self._set_s = set_s
        self._was_set_s = set_s()
        self._retimer = Retimer(len(routing.device_channels))
        self._heard = HeardLine(servo.drift)
        self._gaps = line.late_blocks
        self._leaving = 0
        self._gains: Iterator[NDArray[np.float64] | float] = repeat(1.0)
        """For each of the next hops: of each of its frames, or of all."""
        self._due = 0
        """The hop at which the next block is due, in a room that has fallen in."""
        self.hop: int | None = None
        self.skew: Skew | None = None

    @property
    def latency_s(self) -> float:
        """As of the sink that it plays on."""
        return self._line.latency_s

    @property
    def late_blocks(self) -> int:
        """As of the sink that it plays on."""
        return self._line.late_blocks

    def write(self, capped: Capped) -> None:
        """Plays a hop, as fast as the servo says. Raises SinkLostError."""
        self._play(self._retimer(capped.frames * next(self._gains), round(self._servo.speed * ONE)))
        self._due += 1
        set_s = self._set_s()
        stepped, self._was_set_s = abs(set_s - self._was_set_s) > STEP_S, set_s
        if self.hop is None:
            self._seek()
        else:
            self._keep(stepped=stepped)

    def close(self) -> None:
        """Closes the sink that it plays on."""
        self._line.close()

    def _play(self, frames: NDArray[np.float64]) -> None:
        reading = self._line.play(self._routing.spread(frames))
        if self._line.late_blocks > self._gaps:
            self._heard.forget()
        self._gaps = self._line.late_blocks
        self._heard.take(frames.shape[1], reading)

    @property
    def _next_s(self) -> float:
        """When the next block is heard, by the clock of the machine."""
        pending_s = self._retimer.pending_frames / HOP_RATE_HZ
        return self._heard.next_s() + pending_s + self._behind_s + self._was_set_s

    def _seek(self) -> None:
        """Waits for silence and for enough readings; then fills up to the next whole hop of the clock."""
        if self._leaving:
            self._leaving -= 1
        elif len(self._heard) >= SEEK_HOPS:
            hop = math.ceil(self._next_s * HOPS_A_SECOND)
            missing = round((hop / HOPS_A_SECOND - self._next_s) * HOP_RATE_HZ)
            if missing:
                self._play(np.zeros((len(self._routing.device_channels), missing)))
            self._due = self.hop = hop
            self._gains = repeat(1.0)
            self._servo.begin()

    def _keep(self, *, stepped: bool) -> None:
        self.hop = self._due
        if not len(self._heard):  # the device stood still, and all that comes is late
            self._gains = chain((1.0 - RISE,), repeat(0.0))
            self._leave()
            return
        late_s = self._next_s - self._due / HOPS_A_SECOND
        if abs(late_s) > ASTRAY_S:
            logger.warning("Out of step by %.0f ms.", late_s * 1000.0)
            if late_s > 0.0 and self._heard.settled and not stepped:  # else the line is right, or better known now
                self._heard.forget(but=FEWEST)
            self._leave()
            return
        self._servo.look(late_s, HOP_S)
        self.skew = Skew(late_s, self._servo.ppm)

    def _leave(self) -> None:
        self.hop, self.skew, self._leaving = None, None, LEAVE_HOPS
