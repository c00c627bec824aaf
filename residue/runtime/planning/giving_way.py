"""The planner gives way to what plays where both have too little of the processor.

Its low priority helps against a busy processor, and not where a limit on the service's own time, such as CPUQuota of
systemd, is used up by both together. So it pauses between two steps of its work while blocks are late, or nearly.
"""

from __future__ import annotations

import os
import threading
from math import inf

PAUSE, GO = b"p", b"g"
"""What the planner's process is told on its standard input."""
FIRST_S, LONGEST_S = 2.0, 30.0
"""A pause is twice as long as the one before, and FIRST_S again after FORGET_S without a reason for one. Our choice."""
FORGET_S = 60.0
RUN_S = 1.0
"""The least time between two pauses: a house that is late by itself shall have its plan some day."""
NEARLY_LATE = 0.8
"""Where computing takes so much of the time, blocks are nearly late."""


class GivingWay:
    """Decides whether the planner pauses."""

    def __init__(self) -> None:
        self._late_blocks = 0
        self._late = False
        """Whether anything was late since the last pause."""
        self._pause_s = FIRST_S
        self._until_s = -inf

    def __call__(self, *, late_blocks: int, busy: float, sounds: bool, now_s: float) -> bool:
        """Whether it pauses now. To be asked again and again.

        late_blocks: since the start. busy: the computing time of the last blocks, as a share of real time. sounds:
        whether a performance is under way: without one, nothing can be heard that is late.
        """
        late, self._late_blocks = late_blocks > self._late_blocks or busy > NEARLY_LATE, late_blocks
        if now_s < self._until_s:
            self._late = False
            return sounds
        self._late = sounds and (self._late or late)
        if not self._late or now_s < self._until_s + RUN_S:
            return False
        forgotten = now_s - self._until_s >= FORGET_S
        self._pause_s = FIRST_S if forgotten else min(2.0 * self._pause_s, LONGEST_S)
        self._until_s = now_s + self._pause_s
        return True


class PlannerGate:
    """In the planner's process: waits while the house says so. A house that is gone holds nothing up."""

    def __init__(self, descriptor: int = 0) -> None:
        self._open = threading.Event()
        self._open.set()
        threading.Thread(target=self._listen, args=(descriptor,), daemon=True).start()

    def _listen(self, descriptor: int) -> None:
        while told := os.read(descriptor, 1):
            if told == PAUSE:
                self._open.clear()
            else:
                self._open.set()
        self._open.set()

    def wait(self) -> None:
        """Returns at once, or when the house lets the work go on."""
        self._open.wait()
