"""A sink that survives the loss of its device: it is silent meanwhile, and returns by itself, also at the start."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable

from residue.loudness.stage.capped import Capped
from residue.output.in_step import InStepSink, Skew
from residue.output.silent import BUFFER_S, Pace
from residue.output.sink import Open, Sink, SinkLostError, SinkNotYetError
from residue.problems import ProblemError

logger = logging.getLogger(__name__)

FIRST_RETRY_S = 0.5
"""Longer than the latency of the cap stage, so that the first sound after the return entered it while the sink was
lost.
"""
LAST_RETRY_S = 2.0
"""An attempt begins a process (see device.py), which costs a tenth of a second of a processor."""
NOT_YET_S = 0.1
"""The time between two checks whether a sink is open yet."""
OVERLOADED_BLOCKS = 3
"""After so many late blocks in a row the writer counts as too slow: it needs more time for a block than the block
lasts.
"""
BREATH_S = 0.05
"""The pause of such a writer: half a block of the house, so that one that is fast again is in time with the block after
the next.
"""


class ReturningSink:
    """Writes to a sink; after a loss it continues in silence and opens the sink again, less and less often.

    A device that is missing or unsuitable when a house starts is waited for in the same way: the house keeps its hours,
    reports it, and sounds as soon as the device is good. A writer that is always late never waits for the device. With
    a real-time priority, on a single processor, nothing else would run then: not the control surface, and not the loop
    that notifies systemd. So such a writer pauses from time to time, with an audible gap. lost: the reason why nothing
    is heard now; None while all is well. Meanwhile the writer fades to silence, and back slowly afterwards. wrong:
    whether the device is there, but unsuitable.
    """

    def __init__(
        self,
        open_sink: Open,
        monotonic_s: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
        breath_s: float = BREATH_S,
    ) -> None:
        """breath_s: half a block of the writer."""
        self._open, self._breath_s = open_sink, breath_s
        self._monotonic_s = monotonic_s
        self._sleep = sleep
        self._pace = Pace(monotonic_s, sleep)
        self._sink: Sink | None = None
        self._earlier_late_blocks = 0
        self._late_in_a_row = 0
        self._wait_s = FIRST_RETRY_S / 2
        self._retry_at_s = 0.0
        self._given_up = False
        self._leave_off: Callable[[], None] = _nothing
        """For the sink that is being opened."""
        self.lost: str | None = None
        self.wrong = False
        self.losses = 0
        if not self._tried():
            logger.error("%s Playing on in silence until it is there.", self.lost)

    @property
    def latency_s(self) -> float:
        """The latency of the open sink."""
        return self._sink.latency_s if self._sink else BUFFER_S

    @property
    def late_blocks(self) -> int:
        """The late blocks since the first opening."""
        return self._earlier_late_blocks + (self._sink.late_blocks if self._sink else 0)

    @property
    def astray(self) -> bool:
        """Whether it keeps step with a clock, and is out of step: then the writer fades to silence as well."""
        return isinstance(self._sink, InStepSink) and self._sink.hop is None

    @property
    def hop(self) -> int | None:
        """The hop of the clock at which the next block begins to be heard; None if it is not in step with one."""
        return self._sink.hop if isinstance(self._sink, InStepSink) else None

    @property
    def skew(self) -> Skew | None:
        """How far it is from that clock, where it is known."""
        return self._sink.skew if isinstance(self._sink, InStepSink) else None

    def write(self, capped: Capped) -> None:
        """Writes to the device, or to the silent sink while the device is lost. Never raises."""
        due = self._sink is None and not self._given_up and self._monotonic_s() >= self._retry_at_s
        if due and self._tried():
            logger.warning("The sound device is back.")
        if self._sink is None:
            self._pace.keep(capped.frames.shape[1])
            return
        late_blocks = self._sink.late_blocks
        try:
            self._sink.write(capped)
        except SinkLostError as error:
            self._lose(self._sink, str(error))
            return
        self._late_in_a_row = self._late_in_a_row + 1 if self._sink.late_blocks > late_blocks else 0
        if self._late_in_a_row == OVERLOADED_BLOCKS:
            self._late_in_a_row = 0
            self._sleep(self._breath_s)

    def reopen(self, why: str) -> None:
        """Closes the sink on purpose, so that it is opened again."""
        if self._sink is not None:
            self._lose(self._sink, why)

    def give_up(self, why: str) -> None:
        """Closes the sink until the program is started again."""
        self.reopen(why)
        self._leave_off()
        self._given_up, self.lost, self.wrong = True, why, False

    def close(self) -> None:
        """Closes the sink, or one that is being opened."""
        self._leave_off()
        if self._sink is not None:
            self._sink.close()

    def _lose(self, sink: Sink, reason: str) -> None:
        logger.error("%s Playing on in silence until it is back.", reason)
        sink.close()
        self._earlier_late_blocks += sink.late_blocks
        self._sink, self.lost, self.wrong = None, reason, False
        self.losses += 1
        self._wait_s = FIRST_RETRY_S
        self._retry_at_s = self._monotonic_s() + self._wait_s

    def _tried(self) -> bool:
        self._leave_off = _nothing
        try:
            self._sink, self.lost, self.wrong = self._open(), None, False
        except SinkNotYetError as error:
            self.lost, self._leave_off = self.lost or str(error), error.leave_off
            self._retry_at_s = self._monotonic_s() + NOT_YET_S
            return False
        except (SinkLostError, ProblemError) as error:
            self.lost, self.wrong = str(error), isinstance(error, ProblemError)
            self._wait_s = min(2 * self._wait_s, LAST_RETRY_S)
            self._retry_at_s = self._monotonic_s() + self._wait_s
            return False
        return True


def _nothing() -> None:
    """Notes that no sink is being opened."""
