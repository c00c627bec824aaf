"""OSC messages of the sensors, received by a thread of their own."""

from __future__ import annotations

import logging
import math
import socket
import threading
import time
from collections.abc import Callable, Collection
from dataclasses import dataclass
from queue import Empty, SimpleQueue

from residue.control.packet import MOST_BYTES, PacketError, read
from residue.control.settings import admits
from residue.live.sensors import Messages
from residue.problems import stopping

logger = logging.getLogger(__name__)

MOST_WAITING = 100_000
"""The most messages that may wait; more are dropped."""
_LOOK_S = 0.2


@dataclass(frozen=True, slots=True)
class Arrival:
    """A message of a sensor. numbers: its arguments, NaN for one that is not a number; at_s: monotonic."""

    address: str
    numbers: tuple[float, ...]
    at_s: float


class OscReceiver:
    """Listens from its construction until `close`. Raises ProblemError where the port is taken.

    unread: datagrams that could not be read; unknown: messages to addresses without a sensor.
    """

    def __init__(
        self, settings: Messages, addresses: Collection[str], monotonic_s: Callable[[], float] = time.monotonic
    ) -> None:
        self._networks, self._addresses = settings.networks, frozenset(addresses)
        self._monotonic_s = monotonic_s
        self._arrived: SimpleQueue[Arrival] = SimpleQueue()
        self._closing = threading.Event()
        self.unread = self.unknown = 0
        family = socket.AF_INET6 if ":" in settings.listen else socket.AF_INET
        self._socket = socket.socket(family, socket.SOCK_DGRAM)
        try:
            self._socket.bind((settings.listen, settings.port))
        except OSError as error:
            self._socket.close()
            what = f"Nothing can listen at {settings.listen}:{settings.port}: {error.strerror}."
            raise stopping("sensors.toml: osc", what, "End the other program, or write another port.") from error
        self._socket.settimeout(_LOOK_S)
        self._thread = threading.Thread(target=self._run, name="listener", daemon=True)
        self._thread.start()

    def take(self) -> list[Arrival]:
        """Returns the messages that arrived since the last call, in order."""
        arrived = []
        try:
            while True:
                arrived.append(self._arrived.get_nowait())
        except Empty:
            return arrived

    def close(self) -> None:
        """Stops listening and frees the port."""
        self._closing.set()
        self._thread.join()
        self._socket.close()
        if self.unread or self.unknown:
            logger.warning(
                "%d datagrams were not OSC, and %d messages went to addresses that no sensor has.",
                self.unread,
                self.unknown,
            )

    def _run(self) -> None:
        while not self._closing.is_set():
            try:
                datagram, sender = self._socket.recvfrom(MOST_BYTES + 1)
            except TimeoutError:
                continue
            except OSError as error:
                logger.warning("Messages cannot be taken in: %s", error)
                self._closing.wait(_LOOK_S)
                continue
            self._hear(datagram, sender[0])

    def _hear(self, datagram: bytes, sender: str) -> None:
        at_s = self._monotonic_s()
        if not admits(self._networks, sender) or self._arrived.qsize() > MOST_WAITING:
            return
        try:
            messages = read(datagram)
        except PacketError:
            self.unread += 1
            return
        for message in messages:
            if message.pattern in self._addresses:
                self._arrived.put(Arrival(message.pattern, tuple(map(_number, message.arguments)), at_s))
            else:
                self.unknown += 1


def _number(argument: object) -> float:
    return float(argument) if isinstance(argument, int | float) and not isinstance(argument, bool) else math.nan
