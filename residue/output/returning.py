"""A sink that outlives its device: silence while it is gone, and back by itself."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable

from residue.loudness.capped import Capped
from residue.output.opening import opened_at_start
from residue.output.silent import BUFFER_S, Pace
from residue.output.sink import Open, Sink, SinkLostError
from residue.problems import ProblemError

logger = logging.getLogger(__name__)

FIRST_RETRY_S = 0.5
"""Longer than the cap stage's latency: what comes first out of it at the return went in while the sink was lost."""
LAST_RETRY_S = 10.0
"""A failed attempt costs 0.2 to 25 ms and a few kilobytes, so not more often than this in the long run."""


class ReturningSink:
    """Writes to a sink; when that is lost, goes on at the same pace in silence and opens it again, ever less often.

    lost: why nothing is heard now; None while all is well. Whoever writes brings the level down to nothing while
    it stands, and up again slowly afterwards.
    """

    def __init__(
        self,
        open_sink: Open,
        monotonic_s: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._open = open_sink
        self._monotonic_s = monotonic_s
        self._pace = Pace(monotonic_s, sleep)
        self._sink: Sink | None = opened_at_start(open_sink)
        self._earlier_late_blocks = 0
        self._wait_s = FIRST_RETRY_S
        self._retry_at_s = 0.0
        self.lost: str | None = None
        self.losses = 0

    @property
    def latency_s(self) -> float:
        """Of the sink that is open."""
        return self._sink.latency_s if self._sink else BUFFER_S

    @property
    def late_blocks(self) -> int:
        """Since the first opening."""
        return self._earlier_late_blocks + (self._sink.late_blocks if self._sink else 0)

    def write(self, capped: Capped) -> None:
        """Never raises."""
        if self._sink is None and self._monotonic_s() >= self._retry_at_s:
            self._try_again()
        if self._sink is None:
            self._pace.keep(capped.frames.shape[1])
            return
        try:
            self._sink.write(capped)
        except SinkLostError as error:
            self._lose(self._sink, str(error))

    def reopen(self, why: str) -> None:
        """Lose the sink on purpose, so that it is opened anew."""
        if self._sink is not None:
            self._lose(self._sink, why)

    def close(self) -> None:
        """Let go of the sink, if there is one."""
        if self._sink is not None:
            self._sink.close()

    def _lose(self, sink: Sink, reason: str) -> None:
        logger.error("%s Playing on in silence until it is back.", reason)
        sink.close()
        self._earlier_late_blocks += sink.late_blocks
        self._sink, self.lost = None, reason
        self.losses += 1
        self._wait_s = FIRST_RETRY_S
        self._retry_at_s = self._monotonic_s() + self._wait_s

    def _try_again(self) -> None:
        try:
            self._sink, self.lost = self._open(), None
        except (SinkLostError, ProblemError) as error:
            self.lost = str(error)
            self._wait_s = min(2 * self._wait_s, LAST_RETRY_S)
            self._retry_at_s = self._monotonic_s() + self._wait_s
        else:
            logger.warning("The sound device is back.")
