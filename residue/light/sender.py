"""Sends the lamps of the piece: a thread of its own, for which neither engine nor loop ever waits.

The lamps are dark unless the house says again and again that it plays, and the piece goes on.
"""

from __future__ import annotations

import logging
import socket
import threading
import time
import uuid
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from math import inf

import numpy as np

from residue.light.e131 import MODULE, PORT, SLOTS, LightSource, universes_of
from residue.light.flash_cap import FULL, TURN_S, FlashCap
from residue.light.lamp_levels import LampLevels
from residue.light.settings import DISCOVERY, MULTICAST, LightSettings
from residue.mapping.nodes.feeds import Lamp
from residue.mapping.playback import Signals
from residue.mapping.signals import Span

logger = logging.getLogger(__name__)

PERIOD_S = 0.025
"""E1.31, 6.6.1: no more often than DMX512 can carry a universe, 44 times a second."""
REFRESH_S = 0.9
"""E1.31, 6.6.2: what does not change is sent again every 0.8 to 1 s …"""
AT_ONCE = 3
"""… after it was sent so many times."""
ANNOUNCE_S = 10.0
"""E1.31, 4.3 and 8: a source tells its universes every 10 s."""
PERMIT_S = 2.0
"""For so long one word that the house plays counts."""
FADE_S = 1.0
"""The time in which the lamps come and go with the piece; our choice."""
TERMINATED = 3
"""E1.31, 6.2.6: so many packets end a stream."""
DARK_S = 4 * TURN_S
"""So long the lamps get to become dark under the cap, all but TURN_FROM of them: colours may fall after each other."""
END_S = 1.0
AGAIN_S = 2.0
"""After so long a network that was not there is tried again."""


@dataclass
class _Stream:
    """What was sent of one universe."""

    slots: bytes = b""
    times: int = 0
    sent_s: float = -inf

    def due(self, slots: bytes, now_s: float) -> bool:
        """Whether these codes are to be sent now; notes that they are."""
        if slots != self.slots:
            self.slots, self.times = slots, 0
        if self.times >= AT_ONCE and now_s - self.sent_s < REFRESH_S:
            return False
        self.times, self.sent_s = self.times + 1, now_s
        return True


class Lights:
    """The lamps of a room from moment to moment, as datagrams: everything but thread and network.

    levels: what the piece wants. shown: what was sent last, by lamp, 0 to 1.
    """

    def __init__(self, settings: LightSettings, levels: LampLevels, source: LightSource, cap: FlashCap) -> None:
        self._settings, self._levels, self._source, self._cap = settings, levels, source, cap
        self._permitted_until_s = -inf
        self._dark = np.zeros(len(settings.lamp))
        self._last = self._dark
        self._presence = 0.0
        self._before_s = inf
        self._announced_s = -inf
        self._streams = {universe: _Stream() for universe in settings.universes}
        self.shown: Mapping[str, float] = dict.fromkeys(settings.lamp, 0.0)

    @property
    def held(self) -> int:
        """The steps in which the cap on flashes held a lamp back."""
        return self._cap.held

    def permit(self, now_s: float, *, plays: bool) -> None:
        """Whether the house plays; a word counts for PERMIT_S."""
        self._permitted_until_s = now_s + PERMIT_S if plays else -inf

    def datagrams(self, now_s: float, *, leaving: bool = False) -> Iterator[tuple[bytes, str]]:
        """What is due now, each with the address that it goes to. leaving: it is to be dark, without a fade."""
        levels = self._levels.at(now_s + self._settings.latency_ms / 1000.0)
        present = levels is not None and now_s < self._permitted_until_s
        step = max(0.0, now_s - self._before_s) / FADE_S
        self._presence += min(step, max(-step, (1.0 if present else 0.0) - self._presence))
        self._before_s = now_s
        self._last = self._last if levels is None else levels
        capped = self._cap(self._dark if leaving else self._presence * self._last, now_s)
        self.shown = {name: int(code) / FULL for name, code in zip(self._settings.lamp, capped.codes, strict=True)}
        slots = universes_of(self._settings, capped)
        if self._settings.to == MULTICAST and now_s - self._announced_s >= ANNOUNCE_S:
            self._announced_s = now_s
            yield self._source.announcement(self._settings.universes), DISCOVERY
        for universe, receiver in self._settings.receivers():
            if self._streams[universe].due(slots[universe], now_s):
                yield self._source.packet(universe, slots[universe]), receiver

    def farewell(self) -> Iterator[tuple[bytes, str]]:
        """The packets that end every stream, dark."""
        for _ in range(TERMINATED):
            for universe, receiver in self._settings.receivers():
                yield self._source.packet(universe, bytes(SLOTS), terminated=True), receiver


class LightSender:
    """Nothing without [light] in room.toml. alarm: a sentence while the lamps cannot be told.

    lamps: those of the piece. happened: writes into the event log: kind, text. identity: stays that of this machine.
    """

    def __init__(
        self,
        settings: LightSettings | None,
        lamps: Mapping[str, Lamp],
        happened: Callable[[str, str], None],
        identity: uuid.UUID,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._settings, self._happened, self._monotonic_s = settings, happened, monotonic_s
        self._identity = identity
        self._ending = threading.Event()
        self.alarm: str | None = None
        self._lights: Lights | None = None
        self._levels: LampLevels | None = None
        if settings is not None:
            self._levels = LampLevels({name: lamps[name] for name in settings.lamp})
        self._thread = threading.Thread(target=self._run, name="light", daemon=True)

    @property
    def told(self) -> Mapping[str, object] | None:
        """For the status: the brightness of each lamp as it was sent last; None without lamps."""
        lights = self._lights
        if lights is None:
            return None
        return {"lamps": {name: round(share, 3) for name, share in lights.shown.items()}, "held_steps": lights.held}

    def start(self) -> None:
        """Begins to send, if the room has lamps."""
        if self._settings is not None:
            self._thread.start()

    def heard(self, span: Span, signals: Signals, heard_at_s: float) -> None:
        """Passes a block on, without waiting. heard_at_s: monotonic."""
        if self._levels is not None:
            self._levels.put(span, signals, heard_at_s)

    def permit(self, *, plays: bool) -> None:
        """Whether the house plays at this moment; said again and again."""
        if self._lights is not None:
            self._lights.permit(self._monotonic_s(), plays=plays)

    def darken(self) -> None:
        """Makes all lamps dark for good, and ends the streams."""
        self._ending.set()

    def end(self) -> None:
        """Waits until the streams have ended, for END_S at most."""
        self.darken()
        if self._thread.is_alive():
            self._thread.join(END_S)

    def _run(self) -> None:
        settings, levels = self._settings, self._levels
        if settings is None or levels is None:
            return
        try:
            source = LightSource(self._identity, settings.priority)
            cap = FlashCap(len(settings.lamp), self._monotonic_s(), settings.reds)
            self._lights = lights = Lights(settings, levels, source, cap)
            while not self._ending.is_set():
                self._keep(settings, lights)
        except ModuleNotFoundError:
            why = f"the library {MODULE} is missing. `residue check` says how to install it"
            self._tell(f"The lamps cannot be told: {why}.")
        except Exception as error:  # a fault of our own: receivers go dark by themselves, and the house plays on
            logger.exception("The lamps cannot be told")
            self._tell(f"The lamps cannot be told until the program is started again: {error}.")

    def _keep(self, settings: LightSettings, lights: Lights) -> None:
        """Sends until it is to end, or until nothing can be sent at all."""
        try:
            with _socket(settings) as sending:
                while not self._ending.wait(PERIOD_S):
                    self._send(sending, lights.datagrams(self._monotonic_s()))
                until_s = self._monotonic_s() + DARK_S
                while self._monotonic_s() < until_s:
                    self._send(sending, lights.datagrams(self._monotonic_s(), leaving=True))
                    time.sleep(PERIOD_S)
                self._send(sending, lights.farewell())
        except OSError as error:
            self._tell(f"The lamps cannot be told: {error.strerror}. Look at interface in [light] of room.toml.")
            self._ending.wait(AGAIN_S)

    def _send(self, sending: socket.socket, datagrams: Iterator[tuple[bytes, str]]) -> None:
        try:
            for datagram, receiver in datagrams:
                sending.sendto(datagram, (receiver, PORT))
                self._tell(None)
        except OSError as error:
            why = (
                "`residue check` says what forbids it" if isinstance(error, PermissionError) else "Look at its network"
            )
            self._tell(f"The lamps cannot be told: {error.strerror}. {why}.")

    def _tell(self, alarm: str | None) -> None:
        if alarm != self.alarm:
            self._happened("light", alarm or "The lamps are told again.")
        self.alarm = alarm


@contextmanager
def _socket(settings: LightSettings) -> Iterator[socket.socket]:
    """Raises OSError where the machine does not have the address of its interface."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sending:
        sending.settimeout(0.0)
        if settings.interface is not None:
            sending.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(settings.interface))
        yield sending
