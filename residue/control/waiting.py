"""Messages of bundles whose time has not come.

Source: Open Sound Control 1.0 (2002), "Temporal Semantics and OSC Time Tags": messages that are due are handled at
once; later ones wait until their time, and the messages of one bundle are handled together.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable

MOST_WAITING = 256
FURTHEST_S = 3_600.0
"""Nobody plans further ahead with a time tag; without this limit a sender with a wrong clock would fill the waiting
room.
"""
_SINCE_1900_S = 2_208_988_800
"""From 1900, where time tags begin, to 1970: RFC 5905, figure 4."""
_UNITS_PER_S = 1 << 32


class WaitingError(Exception):
    """A request that cannot wait; the text is for the person who sent it."""


def later(delay_s: float, do: Callable[[], None]) -> None:
    """Schedules an action on the running event loop."""
    asyncio.get_running_loop().call_later(delay_s, do)


class WaitingRoom:
    """Keeps messages until they are due.

    It reads the wall clock only when they arrive, so that a later change of the clock has no effect.
    """

    def __init__(
        self, wall_s: Callable[[], float] = time.time, later: Callable[[float, Callable[[], None]], None] = later
    ) -> None:
        self._wall_s = wall_s
        self._later = later
        self.waiting = 0

    def keep(self, due: int | None, messages: int, do: Callable[[], None]) -> None:
        """Does an action when it is due. due: a time tag, None for at once. Raises WaitingError."""
        delay_s = 0.0 if due is None else due / _UNITS_PER_S - _SINCE_1900_S - self._wall_s()
        if delay_s <= 0.0:
            do()
            return
        if delay_s > FURTHEST_S:
            raise WaitingError("It is due in more than an hour. Send it later, or set the clock of the sender.")
        if self.waiting + messages > MOST_WAITING:
            raise WaitingError("Too many messages wait already. Send it later.")
        self.waiting += messages

        def at_last() -> None:
            self.waiting -= messages
            do()

        self._later(delay_s, at_last)
