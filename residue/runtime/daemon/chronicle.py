"""Events and sent levels, on their way into the level log, the status and the journal."""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Sequence
from contextlib import suppress
from queue import Empty

from residue.runtime.engine.show import Show
from residue.runtime.house.folded_requests import FoldedRequests
from residue.runtime.journal.log import EventRow
from residue.runtime.journal.log import event as logged
from residue.runtime.journal.log_writer import LogWriter
from residue.runtime.journal.tallies import Circumstances, Tallies
from residue.runtime.system.clock import Clock, uptime

logger = logging.getLogger(__name__)

SHOWN_EVENTS = 20
END_S = 5.0
"""The last rows may take so long at the end, on a slow disk; the sound has ended by then."""


class Chronicle:
    """Passes events and tallies on to the writer. writer: takes everything without waiting."""

    def __init__(self, writer: LogWriter, clock: Clock) -> None:
        self.writer = writer
        self._clock = clock
        self._events: deque[EventRow] = deque(maxlen=SHOWN_EVENTS)
        self._tallies = Tallies()
        self._requests = FoldedRequests(self._note, clock.monotonic_s)

    @property
    def events(self) -> Sequence[EventRow]:
        """The last events."""
        return tuple(self._events)

    def happened(self, kind: str, text: str, sender: str | None = None) -> None:
        """Logs an event, and shows it. Any thread may call it without a sender. Many requests in a row are folded."""
        if sender is None:
            self._note(kind, text)
        else:
            self._requests.tell(kind=kind, text=text, sender=sender)

    def fold(self) -> None:
        """Logs the requests that are due; called every second or so."""
        self._requests.look()

    def _note(self, kind: str, text: str, sender: str | None = None) -> None:
        event = logged(self._clock.now(), uptime(), kind, text, sender=sender)
        logger.info("%s: %s", kind, text)
        self._events.append(event)
        self.writer.put(event)

    def log_sent(self, show: Show) -> None:
        """Logs the levels that the engine has sent since the last call."""
        with suppress(Empty):
            while True:
                tally = show.engine.tallies.get_nowait()
                now, house = show.engine.snapshot, show.keeper.house
                under_way = now.performance is not None
                then = Circumstances(
                    house=house.state,
                    performance=now.performance,
                    playhead_s=now.playhead_s if under_way else None,
                    plan_gain_db=show.plan_gain_db,
                    trim_db=house.trim_db,
                )
                for row in self._tallies.rows(tally, self._clock.now(), uptime(), then):
                    self.writer.put(row)
        self.writer.mark(self._tallies.told_frames)

    def log_rest(self, show: Show) -> None:
        """Logs the last requests, the last levels, and the minute that is not over."""
        self._requests.end()
        self.log_sent(show)
        for row in self._tallies.rest():
            self.writer.put(row)

    def end(self) -> None:
        """Waits until all rows are written."""
        if not self.writer.end(END_S):
            logger.error("The log could not be written to its end.")
