"""Notifies systemd that the house is up, of its state, and that it lives."""

from __future__ import annotations

import logging
import os
import select
import socket
from collections.abc import Mapping

from systemd import daemon

logger = logging.getLogger(__name__)


class Notifier:
    """Notifies systemd, if there is one, without waiting.

    systemd-python's notify holds the interpreter while it waits for room in a full queue, which would stop the
    engine too; so it is called only when there is room. Lost notifications are counted in `unheard`.
    """

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        self.unheard = 0
        path = environment.get("NOTIFY_SOCKET", "")
        self._socket = _connected("\0" + path[1:] if path.startswith("@") else path) if path else None

    def tell(self, *lines: str) -> None:
        """Sends lines such as READY=1, STATUS=…, WATCHDOG=1, STOPPING=1. Source: sd_notify(3)."""
        if self._socket is None:
            return
        _, writable, _ = select.select([], [self._socket], [], 0)
        if not writable:
            self.unheard += 1
            return
        try:
            daemon.notify("\n".join(lines))
        except OSError:
            self.unheard += 1

    def close(self) -> None:
        """Closes the socket; later notifications do nothing."""
        if self._socket is not None:
            self._socket.close()


def _connected(path: str) -> socket.socket | None:
    probe = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
    try:
        probe.connect(path)
    except OSError as error:
        logger.warning("systemd cannot be notified: %s", error)
        probe.close()
        return None
    return probe
