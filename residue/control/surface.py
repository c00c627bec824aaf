"""The control surface: OSC over UDP, for a phone, a show computer, or `residue status`.

Senders outside the allowed networks get no answer and change nothing. Nobody can make the house louder than its plan:
there is no address for it. UDP senders can be forged, so answers are small relative to their requests.
"""

from __future__ import annotations

import asyncio
import hmac
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Protocol, cast

from pythonosc.osc_message_builder import OscMessageBuilder

from residue.control.addresses import ADDRESSES, DONE_REPLY, ERROR_REPLY, Address
from residue.control.packet import Message, PacketError, read
from residue.control.pattern import matches
from residue.control.rate import MOST_SENDERS, Allowance
from residue.control.settings import ControlSettings, admits
from residue.control.waiting import WaitingError, WaitingRoom
from residue.problems import nearest, stopping

MOST_TIMES_LONGER = 16
"""All answers to a datagram are together not longer than so many times it; `residue status` pads its own question."""
TOLD_EVERY_S = 10.0
"""The time between two entries about the same trouble, so that invalid packets do not fill the logs."""
MOST_UNSENT_BYTES = 1 << 18
"""So many bytes may wait while the network accepts nothing."""

MOST_TOLD = 1_000
"""The most characters of a later message: one datagram on any network."""

Sender = tuple[str, int]
Reply = tuple[str, *tuple[str | float, ...]]
"""An address and its arguments: strings, floats, whole numbers."""
Arguments = tuple[float, ...] | tuple[str, ...]
Handler = Callable[[Any, str], Reply | None]
"""(arguments, as its address takes them, and sender) -> an answer, None for the address that was obeyed
alone; raises ValueError, for people.
"""


@dataclass(slots=True, kw_only=True)
class PacketCounts:
    """Counts of packets since the start."""

    answered: int = 0
    not_allowed: int = 0
    malformed: int = 0
    unknown: int = 0
    too_often: int = 0


class _Sends(Protocol):
    """The part of asyncio's datagram transport that the surface uses."""

    def sendto(self, data: bytes, addr: Sender) -> None: ...

    def get_write_buffer_size(self) -> int: ...


@dataclass(slots=True)
class _Question:
    """One datagram, until all its answers are sent."""

    sender: Sender
    left_bytes: int
    """The length that its answers may still have."""
    paid: bool = True
    """Whether the allowance was checked for it, which covers its first command."""


class Surface(asyncio.DatagramProtocol):
    """Reads requests and commands, checks them, passes them on and answers.

    handlers: by the paths of ADDRESSES. refused: called with refused commands and their senders; the house itself logs
    accepted commands.
    """

    def __init__(
        self,
        settings: ControlSettings,
        handlers: Mapping[str, Handler],
        monotonic_s: Callable[[], float],
        refused: Callable[[str, str], None] = lambda text, sender: None,
        waiting: WaitingRoom | None = None,
    ) -> None:
        self._monotonic_s = monotonic_s
        self._refused = refused
        self._waiting = waiting or WaitingRoom()
        self._told_s: dict[str, float] = {}
        self._networks = settings.networks
        self._key = settings.key
        self._handlers = handlers
        self._allowance = Allowance(monotonic_s)
        self._transport: _Sends | None = None
        self._asker: Sender | None = None
        self.counts = PacketCounts()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Part of asyncio's protocol."""
        self._transport = cast(_Sends, transport)  # asyncio's own does not say that it is one

    def error_received(self, exc: Exception) -> None:
        """Ignores a sender that has disappeared."""

    def datagram_received(self, data: bytes, addr: Sender) -> None:
        """Answers one datagram; never raises."""
        sender = addr[0].partition("%")[0]
        if not admits(self._networks, sender):
            self.counts.not_allowed += 1
            return
        if not self._allowance.take(sender):
            self.counts.too_often += 1
            return
        try:
            messages = read(data)
        except PacketError as error:
            self.counts.malformed += 1
            self._tell(f"A datagram could not be read: {error}.", sender)
            return
        question = _Question(addr, len(data) * MOST_TIMES_LONGER)
        for due, together in groupby(messages, lambda message: message.due):
            self._keep(due, list(together), question)

    def tell_asker(self, path: str, text: str) -> None:
        """Sends the later result of a slow command to its last sender with the key."""
        if self._transport is None or self._transport.get_write_buffer_size() >= MOST_UNSENT_BYTES:
            return
        if self._asker is not None:
            self._transport.sendto(_packed(path, text[:MOST_TOLD]), self._asker)

    def _keep(self, due: int | None, messages: list[Message], question: _Question) -> None:
        def answer() -> None:
            for message in messages:
                for reply in self._answers(message, question):
                    self._send(reply, question)

        try:
            self._waiting.keep(due, len(messages), answer)
        except WaitingError as error:
            self._send((ERROR_REPLY, str(error)), question)

    def _answers(self, message: Message, question: _Question) -> Iterator[Reply]:
        named = [address for address in ADDRESSES if _reaches(message.pattern, address)]
        if not named:
            self.counts.unknown += 1
            yield ERROR_REPLY, _unknown(message.pattern)
        for address in named:
            if address.changes and not question.paid and not self._allowance.take(question.sender[0]):
                self.counts.too_often += 1
                return
            question.paid = question.paid and not address.changes
            yield self._obey(address, message, question.sender)

    def _obey(self, address: Address, message: Message, sender: Sender) -> Reply:
        try:
            numbers = self._checked(address, message)
            answer = self._handlers[address.path](numbers, sender[0])
        except ValueError as error:
            if address.changes:
                self._tell(f"{address.path}: {error}", sender[0])
            return ERROR_REPLY, f"{address.path}: {error}"
        self.counts.answered += 1
        if address.needs_key:
            self._asker = sender
        return answer or (DONE_REPLY, address.path)

    def _tell(self, text: str, sender: str) -> None:
        """Reports a refusal; at most one entry in TOLD_EVERY_S for each sender."""
        now_s = self._monotonic_s()
        self._told_s = {who: at_s for who, at_s in self._told_s.items() if now_s - at_s < TOLD_EVERY_S}
        if sender not in self._told_s and len(self._told_s) < MOST_SENDERS:
            self._told_s[sender] = now_s
            self._refused(text, sender)

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
            arguments = arguments[: len(address.takes)]  # further arguments only make the request longer
        checked = _texts(arguments) if address.text else _numbers(arguments)
        takes = ", ".join(address.takes) or "no argument"
        if len(checked) != len(arguments) or len(checked) != len(address.takes):
            raise ValueError(f"It takes {takes}; {_shown(arguments)} was sent.")
        if not all(math.isfinite(number) for number in checked if isinstance(number, float)):
            raise ValueError(f"It takes {takes}, a finite number.")
        return checked

    def _send(self, reply: Reply, question: _Question) -> None:
        """Sends one answer, if it is not too long for its request."""
        datagram = _packed(*reply)
        if len(datagram) > question.left_bytes:
            padding = -(-len(datagram) // MOST_TIMES_LONGER)
            why = f"{reply[0]} is too long an answer. Ask with a blob of {padding} bytes as last argument."
            datagram = _packed(ERROR_REPLY, why)
        if self._transport is None or len(datagram) > question.left_bytes:
            return
        if self._transport.get_write_buffer_size() < MOST_UNSENT_BYTES:
            question.left_bytes -= len(datagram)
            self._transport.sendto(datagram, question.sender)


async def open_surface(settings: ControlSettings, surface: Surface) -> asyncio.DatagramTransport:
    """Opens the surface. Raises ProblemError where the port is taken or the address is not this machine's."""
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


def _reaches(pattern: str, address: Address) -> bool:
    """Whether a message is for an address; a pattern reaches questions only, so that none can run several commands."""
    return pattern == address.path or (not address.changes and matches(pattern, address.path))


def _unknown(pattern: str) -> str:
    commands = [address.path for address in ADDRESSES if matches(pattern, address.path)]
    if commands:
        return f"{pattern[:64]} is a pattern, and only questions obey one. Send {' or '.join(commands)} itself."
    return f"There is no address {pattern[:64]}. {nearest(pattern[:64], [address.path for address in ADDRESSES])}"


def _packed(path: str, *arguments: str | float) -> bytes:
    builder = OscMessageBuilder(path)
    for argument in arguments:
        builder.add_arg(argument, {str: "s", float: "f", int: "i"}[type(argument)])
    return builder.build().dgram


def _shown(arguments: tuple[object, ...]) -> str:
    return ", ".join(repr(a)[:32] for a in arguments[:4]) or "nothing"
