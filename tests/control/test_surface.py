from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from typing import Any

import pytest
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder

from residue.control.addresses import ADDRESSES, DONE_REPLY, ERROR_REPLY, STATUS_REPLY, SWAP_TOLD, table
from residue.control.rate import BURST
from residue.control.settings import ControlSettings
from residue.control.surface import MOST_TIMES_LONGER, Answer, Surface
from tests.runtime.stubs import HandClock

TECHNICIAN = ("127.0.0.1", 40_000)
STRANGER = ("192.168.1.77", 40_000)


class Transport(asyncio.DatagramTransport):
    def __init__(self) -> None:
        super().__init__()
        self.sent: list[bytes] = []
        self.to: list[Any] = []

    def sendto(self, data: Any, addr: Any = None) -> None:
        self.sent.append(bytes(data))
        self.to = [addr]


class House:
    """Keeps what it is asked."""

    def __init__(self, **settings: Any) -> None:
        self.asked: list[tuple[str, tuple[float | str, ...], str]] = []
        self.answer = "{}"
        self.transport = Transport()
        self.clock = HandClock()
        handlers = {address.path: self._handler(address.path) for address in ADDRESSES}
        self.surface = Surface(ControlSettings(**settings), handlers, self.clock.monotonic_s)
        self.surface.connection_made(self.transport)

    def _handler(self, path: str) -> Callable[[tuple[float, ...], str], Answer | None]:
        def handle(given: tuple[float | str, ...], sender: str) -> Answer | None:
            self.asked.append((path, given, sender))
            return (STATUS_REPLY, self.answer) if path == "/house/status" else None

        return handle

    def hear(self, path: str, *arguments: Any, sender: tuple[str, int] = TECHNICIAN) -> list[tuple[str, str]]:
        builder = OscMessageBuilder(path)
        for argument in arguments:
            builder.add_arg(argument)
        self.transport.sent.clear()
        self.surface.datagram_received(builder.build().dgram, sender)
        return [(message.address, message.params[0]) for message in map(OscMessage, self.transport.sent)]


def test_commands_are_handed_on_with_their_sender_and_answered() -> None:
    house = House()
    assert house.hear("/house/hold") == [(DONE_REPLY, "/house/hold")]
    assert house.hear("/house/trim", -6.0) == [(DONE_REPLY, "/house/trim")]
    assert house.hear("/house/trim", -6) == [(DONE_REPLY, "/house/trim")]
    assert house.asked == [
        ("/house/hold", (), "127.0.0.1"),
        ("/house/trim", (-6.0,), "127.0.0.1"),
        ("/house/trim", (-6.0,), "127.0.0.1"),
    ]


@pytest.mark.parametrize(
    ("path", "arguments", "words"),
    [
        ("/house/trim", (), "/house/trim: It takes db; nothing was sent."),
        ("/house/trim", ("low",), "/house/trim: It takes db; 'low' was sent."),
        ("/house/trim", (-3.0, -3.0), "/house/trim: It takes db; -3.0, -3.0 was sent."),
        ("/house/trim", (math.nan,), "/house/trim: It takes db, a finite number."),
        ("/house/trim", (-math.inf,), "/house/trim: It takes db, a finite number."),
        ("/house/trim", (True,), "/house/trim: It takes db; True was sent."),
        ("/house/hold", (1,), "/house/hold: It takes no argument; 1 was sent."),
        ("/house/holt", (), "There is no address /house/holt. Did you mean /house/hold?"),
    ],
)
def test_wrong_arguments_are_told_and_change_nothing(path: str, arguments: tuple[Any, ...], words: str) -> None:
    house = House()
    assert house.hear(path, *arguments) == [(ERROR_REPLY, words)]
    assert house.asked == []


def test_a_sender_from_a_network_that_is_not_allowed_is_not_answered_and_changes_nothing() -> None:
    house = House()
    assert house.hear("/house/hold", sender=STRANGER) == []
    assert house.hear("/house/status", sender=STRANGER) == []
    assert house.asked == []
    assert house.surface.counts.not_allowed == 2


def test_networks_that_room_toml_allows_are_answered() -> None:
    house = House(allow=("192.168.1.0/24",))
    assert house.hear("/house/hold", sender=STRANGER) == [(DONE_REPLY, "/house/hold")]
    assert house.hear("/house/hold") == []


def test_with_a_key_only_who_brings_it_changes_anything() -> None:
    house = House(key="flour and salt")
    (answer,) = house.hear("/house/hold")
    assert answer == (ERROR_REPLY, "/house/hold: It needs the key of room.toml as its last argument, a string.")
    assert house.hear("/house/hold", "flour and sald")[0][0] == ERROR_REPLY
    assert house.asked == []
    assert house.hear("/house/trim", -3.0, "flour and salt") == [(DONE_REPLY, "/house/trim")]
    assert house.asked == [("/house/trim", (-3.0,), "127.0.0.1")]
    assert house.hear("/house/status")[0][0] == STATUS_REPLY


def test_texts_are_handed_on_where_an_address_takes_texts_and_only_with_a_key() -> None:
    house = House(key="flour and salt")
    swap = ("incoming/third-batch", "first-batch", "at-rest")
    assert house.hear("/house/swap", *swap, "flour and salt") == [(DONE_REPLY, "/house/swap")]
    assert house.asked == [("/house/swap", swap, "127.0.0.1")]
    words = "/house/swap: It takes bag, performance, when; 'incoming/third-batch', 3 was sent."
    assert house.hear("/house/swap", "incoming/third-batch", 3, "flour and salt") == [(ERROR_REPLY, words)]
    without = House()
    words = "/house/swap/back: It is only obeyed where room.toml has a key under [control]."
    assert without.hear("/house/swap/back", "first-batch", "now") == [(ERROR_REPLY, words)]
    assert without.asked == []


def test_what_became_of_it_is_sent_to_whoever_asked_last_with_the_key() -> None:
    house = House(key="flour and salt", allow=("127.0.0.1/32", "192.168.1.0/24"))
    house.surface.tell_asker(SWAP_TOLD, "Nobody has asked.")
    assert house.transport.sent == []
    house.hear("/house/swap/back", "first-batch", "now", "flour and salt")
    house.hear("/house/swap/back", "first-batch", "now", "a guess at it", sender=STRANGER)
    house.hear("/house/status", sender=STRANGER)
    house.transport.sent.clear()
    house.surface.tell_asker(SWAP_TOLD, "It is refused. " + "x" * 5_000)
    [sent] = house.transport.sent
    assert OscMessage(sent).address == "/house/swap/told"
    assert OscMessage(sent).params[0].startswith("It is refused.")
    assert len(sent) < 1_100
    assert house.transport.to == [TECHNICIAN]


def test_a_pattern_reaches_all_addresses_that_it_names() -> None:
    house = House()
    assert [text for _, text in house.hear("/house/{hold,next}")] == ["/house/hold", "/house/next"]


def test_a_sender_that_asks_too_often_is_left_without_answer_for_a_while() -> None:
    house = House()
    answered = [bool(house.hear("/house/hold")) for _ in range(int(BURST) + 10)]
    assert answered == [True] * int(BURST) + [False] * 10
    house.clock.now_s += 1.0
    assert house.hear("/house/hold")


def test_no_answer_is_longer_than_the_stated_multiple_of_its_question() -> None:
    house = House()
    house.answer = "x" * 5_000
    for arguments, path in (((), ERROR_REPLY), ((bytes(100),), STATUS_REPLY)):
        builder = OscMessageBuilder("/house/status")
        for argument in arguments:
            builder.add_arg(argument)
        question = builder.build().dgram
        house.transport.sent.clear()
        house.surface.datagram_received(question, TECHNICIAN)
        assert sum(map(len, house.transport.sent)) <= MOST_TIMES_LONGER * len(question)
        assert [OscMessage(sent).address for sent in house.transport.sent] == [path]


def test_a_datagram_that_is_no_osc_is_counted_and_nothing_more() -> None:
    house = House()
    house.surface.datagram_received(b"GET / HTTP/1.1\r\n\r\n", TECHNICIAN)
    assert house.surface.counts.malformed == 1
    assert house.transport.sent == []


def test_the_table_for_the_guides_names_every_address() -> None:
    assert all(f"`{address.path}`" in table() for address in ADDRESSES)
