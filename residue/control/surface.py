"""The control surface: OSC over UDP, asked from a phone, a show computer, or `residue status`.

Whoever is not on an allowed network gets no answer and changes nothing. Nobody can make the house louder than its
plan: no address does that. UDP senders can be forged, so answers stay small against their questions.
"""

from __future__ import annotations

import asyncio
import hmac
import ipaddress
import logging
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, cast

from pythonosc.osc_message_builder import OscMessageBuilder

from residue.control.addresses import ADDRESSES, DONE_REPLY, ERROR_REPLY, Address
from residue.control.packet import Message, PacketError, read
from residue.control.pattern import matches
from residue.control.rate import Allowance
from residue.control.settings import ControlSettings
from residue.problems import nearest, stopping

logger = logging.getLogger(__name__)

MOST_TIMES_LONGER = 64
"""No answer is longer than so many times its question; `residue status` pads its own."""

MOST_TOLD = 1_000
"""Characters of a word that comes later: one datagram on any network."""

Sender = tuple[str, int]
Answer = tuple[str, str]
"""An address and one string."""
Arguments = tuple[float, ...] | tuple[str, ...]
Handler = Callable[[Any, str], Answer | None]
"""(arguments, as its address takes them, and sender) -> an answer other than "done"; raises ValueError, for people."""


@dataclass(slots=True)
class Counts:
    """What came in since the start."""

    answered: int = 0
    not_allowed: int = 0
    malformed: int = 0
    unknown: int = 0
    too_often: int = 0


class Surface(asyncio.DatagramProtocol):
    """Reads questions and commands, checks them, hands them on and answers.

    handlers: by the paths of ADDRESSES.
    """

    def __init__(
        self, settings: ControlSettings, handlers: Mapping[str, Handler], monotonic_s: Callable[[], float]
    ) -> None:
        self._networks = settings.networks
        self._key = settings.key
        self._handlers = handlers
        self._allowance = Allowance(monotonic_s)
        self._transport: asyncio.DatagramTransport | None = None
        self._asker: Sender | None = None
        self.counts = Counts()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Part of asyncio's protocol."""
        self._transport = cast(asyncio.DatagramTransport, transport)  # asyncio's own does not say that it is one

    def error_received(self, exc: Exception) -> None:
        """A sender that has gone: nothing to do."""

    def datagram_received(self, data: bytes, addr: Sender) -> None:
        """Answer to one datagram; never raises."""
        host = ipaddress.ip_address(addr[0].partition("%")[0])
        if not any(host in network for network in self._networks):
            self.counts.not_allowed += 1
            return
        if not self._allowance.take(addr[0]):
            self.counts.too_often += 1
            return
        try:
            messages = read(data)
        except PacketError as error:
            self.counts.malformed += 1
            logger.info("A datagram from %s could not be read: %s", addr[0], error)
            return
        left = len(data) * MOST_TIMES_LONGER
        for message in messages:
            for path, text in self._answers(message, addr):
                left -= self._send(path, text, addr, left)

    def tell_asker(self, path: str, text: str) -> None:
        """Send what became of it to whoever last asked, with the key, for what takes its time."""
        if self._transport is not None and self._asker is not None:
            self._transport.sendto(_packed(path, text[:MOST_TOLD]), self._asker)

    def _answers(self, message: Message, sender: Sender) -> list[Answer]:
        named = [address for address in ADDRESSES if matches(message.pattern, address.path)]
        if not named:
            self.counts.unknown += 1
            paths = [address.path for address in ADDRESSES]
            return [(ERROR_REPLY, f"There is no address {message.pattern[:64]}. {nearest(message.pattern, paths)}")]
        return [self._obey(address, message, sender) for address in named]

    def _obey(self, address: Address, message: Message, sender: Sender) -> Answer:
        try:
            numbers = self._checked(address, message)
            answer = self._handlers[address.path](numbers, sender[0])
        except ValueError as error:
            return ERROR_REPLY, f"{address.path}: {error}"
        self.counts.answered += 1
        if address.needs_key:
            self._asker = sender
        return answer or (DONE_REPLY, address.path)

    def _checked(self, address: Address, message: Message) -> Arguments:
        arguments = message.arguments
        if address.needs_key and self._key is None:
            raise ValueError("It is only obeyed where room.toml has a key under [control].")
        if address.changes and self._key is not None:
            given = arguments[-1] if arguments else None
            if not isinstance(given, str) or not hmac.compare_digest(given.encode(), self._key.encode()):
                raise ValueError("It needs the key of room.toml as its last argument, a string.")
            arguments = arguments[:-1]
        if not address.changes:
            arguments = arguments[: len(address.takes)]  # what stands behind only makes the question longer
        checked = _texts(arguments) if address.text else _numbers(arguments)
        takes = ", ".join(address.takes) or "no argument"
        if len(checked) != len(arguments) or len(checked) != len(address.takes):
            raise ValueError(f"It takes {takes}; {_shown(arguments)} was sent.")
        if not all(math.isfinite(number) for number in checked if isinstance(number, float)):
            raise ValueError(f"It takes {takes}, a finite number.")
        return checked

    def _send(self, path: str, text: str, to: Sender, most_bytes: int) -> int:
        """Send one answer, if it is not too long for its question; returns the bytes sent."""
        datagram = _packed(path, text)
        if len(datagram) > most_bytes:
            padding = -(-len(datagram) // MOST_TIMES_LONGER)
            why = f"{path} is too long an answer. Ask with a blob of {padding} bytes as last argument."
            datagram = _packed(ERROR_REPLY, why)
        if self._transport is None or len(datagram) > most_bytes:
            return 0
        self._transport.sendto(datagram, to)
        return len(datagram)


async def open_surface(settings: ControlSettings, surface: Surface) -> asyncio.DatagramTransport:
    """Listen. Raises ProblemError where the port is taken or the address is not this machine's."""
    try:
        transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
            lambda: surface, local_addr=(settings.listen, settings.port)
        )
    except OSError as error:
        raise stopping(
            "room.toml: control",
            f"Nothing can listen at {settings.listen}:{settings.port}: {error.strerror}.",
            "End the other program, perhaps a residue that runs already, or write another port.",
        ) from error
    return transport


def _numbers(arguments: tuple[object, ...]) -> tuple[float, ...]:
    return tuple(float(a) for a in arguments if isinstance(a, int | float) and not isinstance(a, bool))


def _texts(arguments: tuple[object, ...]) -> tuple[str, ...]:
    return tuple(a for a in arguments if isinstance(a, str))


def _packed(path: str, text: str) -> bytes:
    builder = OscMessageBuilder(path)
    builder.add_arg(text, "s")
    return builder.build().dgram


def _shown(arguments: tuple[object, ...]) -> str:
    return ", ".join(repr(a)[:32] for a in arguments[:4]) or "nothing"
