"""A sink that outlives its device: silence while it is gone, and back by itself, from the start on."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable

from residue.loudness.stage.capped import Capped
from residue.output.silent import BUFFER_S, Pace
from residue.output.sink import Open, Sink, SinkLostError, SinkNotYetError
from residue.problems import ProblemError

logger = logging.getLogger(__name__)

FIRST_RETRY_S = 0.5
"""Longer than the cap stage's latency: what comes first out of it at the return went in while the sink was lost."""
LAST_RETRY_S = 2.0
"""An attempt begins a process (see device.py), which costs a tenth of a second of a processor."""
NOT_YET_S = 0.1
"""Between two looks at whether a sink that is being opened is open."""
OVERLOADED_BLOCKS = 3
"""So many late blocks in a row are no hiccup: whoever writes takes longer to make a block than it lasts."""
BREATH_S = 0.05
"""Half a block, so that a writer who has caught up meanwhile is in time with the block after the next."""


class ReturningSink:
    """Writes to a sink; when that is lost, goes on at the same pace in silence and opens it again, ever less often.

    A device that is not there when a house starts, or is not what the room needs, is waited for just the same: the
    house keeps its hours, says so, and sounds as soon as somebody has put it right.

    A writer who is always late never waits for the device. With a real-time priority, on a single processor, nothing
    else would run then: not the control surface, and not the loop that tells systemd that the house lives. So such a
    writer pauses now and then; the gap is heard as it is.

    lost: why nothing is heard now; None while all is well. Whoever writes brings the level down to nothing while
    it stands, and up again slowly afterwards. wrong: the device is there, but cannot be used as it is.
    """

    def __init__(
        self,
        open_sink: Open,
        monotonic_s: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._open = open_sink
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
        """Of a sink that is being opened."""
        self.lost: str | None = None
        self.wrong = False
        self.losses = 0
        if not self._tried():
            logger.error("%s Playing on in silence until it is there.", self.lost)

    @property
    def latency_s(self) -> float:
        """Of the sink that is open."""
        return self._sink.latency_s if self._sink else BUFFER_S

    @property
    def late_blocks(self) -> int:
        """Since the first opening."""
        return self._earlier_late_blocks + (self._sink.late_blocks if self._sink else 0)

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
            self._sleep(BREATH_S)

    def reopen(self, why: str) -> None:
        """Close the sink on purpose, so that it is opened again."""
        if self._sink is not None:
            self._lose(self._sink, why)

    def give_up(self, why: str) -> None:
        """Close the sink for good: nothing is heard until the program is started again."""
        self.reopen(why)
        self._leave_off()
        self._given_up, self.lost, self.wrong = True, why, False

    def close(self) -> None:
        """Close the sink, if there is one, or one that is being opened."""
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
    """Nothing is being opened."""
