"""The last resort: ends a process whose engine has stalled, so that systemd restarts it."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable

LOOKS = 10
"""The looks in a row without a frame; they are counted, so that a process that was stopped for a while is not ended."""
EVERY_S = 1.0
EXIT_STATUS = 70
"""EX_SOFTWARE of sysexits.h."""


class Deadman(threading.Thread):
    """Watches a heartbeat in a thread of its own: code that hangs below Python can only be ended with the process."""

    def __init__(self, beat: Callable[[], int], end: Callable[[int], object] = os._exit) -> None:
        super().__init__(name="deadman", daemon=True)
        self._beat = beat
        self._end = end
        self._over = threading.Event()

    def run(self) -> None:
        """Watches the engine's heartbeat until `stop`."""
        last, still = -1, 0
        while still < LOOKS:
            if self._over.wait(EVERY_S):
                return
            beat = self._beat()
            still = still + 1 if beat == last else 0
            last = beat
        os.write(2, b"residue: the engine has stalled; the program ends so that systemd restarts it.\n")
        self._end(EXIT_STATUS)

    def stop(self) -> None:
        """Stops watching."""
        self._over.set()
