from __future__ import annotations

import asyncio
import math
import re
import struct
from collections.abc import Callable
from typing import Any

import pytest
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder

from residue.control.addresses import (
    ADDRESSES,
    DONE_REPLY,
    ERROR_REPLY,
    REPLIES,
    STATE_REPLY,
    STATUS_REPLY,
    SWAP_TOLD,
    table,
    table_of_replies,
)
from residue.control.rate import ALL_BURST, BURST
from residue.control.settings import ControlSettings
from residue.control.surface import MOST_TIMES_LONGER, TOLD_EVERY_S, Reply, Surface
from residue.control.waiting import FURTHEST_S, MOST_WAITING, WaitingRoom
from tests.runtime.stubs import HandClock

TECHNICIAN = ("127.0.0.1", 40_000)
STRANGER = ("192.168.1.77", 40_000)


class Transport(asyncio.DatagramTransport):
    def __init__(self) -> None:
        super().__init__()
        self.sent: list[bytes] = []
        self.to: list[Any] = []

    def get_write_buffer_size(self) -> int:
        return 0

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
        self.refused: list[tuple[str, str]] = []
        self.wall_s = 1_790_000_000.0
        self.later: list[tuple[float, Callable[[], None]]] = []
        waiting = WaitingRoom(lambda: self.wall_s, lambda delay_s, do: self.later.append((delay_s, do)))
        told = (self.clock.monotonic_s, lambda text, sender: self.refused.append((text, sender)), waiting)
        self.surface = Surface(ControlSettings(**settings), handlers, *told)
        self.surface.connection_made(self.transport)

    def _handler(self, path: str) -> Callable[[tuple[float, ...], str], Reply | None]:
        def handle(given: tuple[float | str, ...], sender: str) -> Reply | None:
            self.asked.append((path, given, sender))
            if path == "/house/state":
                return (STATE_REPLY, "playing", "first-batch", "", 61.5, -3.0, 2)
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


# Our own rule, stricter than Open Sound Control 1.0: what a pattern reaches must not act.
@pytest.mark.parametrize(
    "pattern", ["/house/*", "/*/*", "/house/{hold,release,next}", "/house/hol?", "/house/[h]old/for"]
)
def test_a_pattern_reaches_questions_and_never_a_command(pattern: str) -> None:
    house = House(key="flour and salt")
    house.hear(pattern, "flour and salt")
    house.hear(pattern)
    assert {path for path, _, _ in house.asked} <= {"/house/status", "/house/state"}


def test_a_pattern_that_names_commands_alone_is_told_what_to_send() -> None:
    [(path, words)] = House().hear("/house/{hold,next}")
    assert path == ERROR_REPLY
    assert words.endswith("is a pattern, and only questions obey one. Send /house/hold or /house/next itself.")


def test_a_pattern_reaches_every_question_that_it_names() -> None:
    house = House()
    house.hear("/house/sta*")
    assert [path for path, _, _ in house.asked] == ["/house/status", "/house/state"]


def test_a_reply_may_carry_plain_arguments() -> None:
    house = House()
    house.hear("/house/state")
    [sent] = house.transport.sent
    reply = OscMessage(sent)
    assert (reply.address, reply.params) == (STATE_REPLY, ["playing", "first-batch", "", 61.5, -3.0, 2])
    assert [type(one) for one in reply.params] == [str, str, str, float, float, int]


def test_a_sender_that_asks_too_often_is_left_without_answer_for_a_while() -> None:
    house = House()
    answered = [bool(house.hear("/house/hold")) for _ in range(int(BURST) + 10)]
    assert answered == [True] * int(BURST) + [False] * 10
    house.clock.now_s += 1.0
    assert house.hear("/house/hold")


def test_a_command_counts_for_itself_however_many_a_datagram_carries() -> None:
    house = House()
    for _ in range(10):
        house.surface.datagram_received(bundle(*[HOLD] * 64), TECHNICIAN)
    assert len(house.asked) <= BURST
    assert house.surface.counts.too_often > 0


def test_all_senders_together_have_a_bound_since_their_addresses_can_be_forged() -> None:
    house = House(allow=("10.0.0.0/8",))
    for number in range(5_000):
        house.surface.datagram_received(HOLD, (f"10.0.{number // 250}.{number % 250}", 9_000))
    assert len(house.asked) <= ALL_BURST


def test_a_sender_in_an_allowed_network_is_known_at_an_ipv6_socket_too() -> None:
    house = House()
    assert house.hear("/house/hold", sender=("::ffff:127.0.0.1", 40_000))
    assert not house.hear("/house/hold", sender=("::ffff:10.0.0.1", 40_000))


def test_a_command_that_is_refused_stands_in_the_log_with_its_sender_but_not_again_and_again() -> None:
    house = House(key="flour and salt")
    for _ in range(5):
        house.hear("/house/hold", "a guess")
    assert house.refused == [
        ("/house/hold: It needs the key of room.toml as its last argument, a string.", "127.0.0.1")
    ]
    house.clock.now_s += TOLD_EVERY_S
    house.surface.datagram_received(b"GET / HTTP/1.1\r\n\r\n", TECHNICIAN)
    assert house.refused[1][0].startswith("A datagram could not be read")


HOLD = b"/house/hold\0,\0\0\0"
NEXT = b"/house/next\0,\0\0\0"


def bundle(*elements: bytes, at_s: float | None = None) -> bytes:
    """at_s: seconds since 1970; None for at once."""
    tag = 1 if at_s is None else round((at_s + 2_208_988_800) * 2**32)
    return b"#bundle\0" + struct.pack(">Q", tag) + b"".join(struct.pack(">i", len(one)) + one for one in elements)


# Open Sound Control 1.0 (2002), "Temporal Semantics and OSC Time Tags".


def test_what_is_due_now_or_was_due_before_is_obeyed_at_once() -> None:
    house = House()
    for at_s in (None, house.wall_s, house.wall_s - 1e6):
        house.surface.datagram_received(bundle(HOLD, at_s=at_s), TECHNICIAN)
    assert len(house.asked) == 3
    assert house.later == []


def test_what_is_due_later_waits_and_the_messages_of_a_bundle_are_obeyed_together() -> None:
    house = House()
    house.surface.datagram_received(bundle(HOLD, NEXT, at_s=house.wall_s + 7.5), TECHNICIAN)
    assert (house.asked, house.transport.sent) == ([], [])
    ((delay_s, do),) = house.later
    assert delay_s == pytest.approx(7.5, abs=1e-6)
    do()
    assert [path for path, _, _ in house.asked] == ["/house/hold", "/house/next"]
    assert len(house.transport.sent) == 2


def test_a_bundle_within_may_be_due_later_than_the_one_around_it() -> None:
    house = House()
    within = bundle(NEXT, at_s=house.wall_s + 20)
    house.surface.datagram_received(bundle(HOLD, within, at_s=house.wall_s + 10), TECHNICIAN)
    assert [round(delay_s) for delay_s, _ in house.later] == [10, 20]


def test_what_is_due_too_late_or_waits_with_too_many_is_told_so() -> None:
    house = House()
    house.surface.datagram_received(bundle(HOLD, at_s=house.wall_s + FURTHEST_S + 1), TECHNICIAN)
    assert b"more than an hour" in house.transport.sent[-1]
    for _ in range(MOST_WAITING // 64 + 1):
        house.surface.datagram_received(bundle(*[HOLD] * 64, at_s=house.wall_s + 60), TECHNICIAN)
    assert len(house.later) == MOST_WAITING // 64
    assert b"wait already" in house.transport.sent[-1]
    for _, do in house.later:
        do()
    assert house.surface._waiting.waiting == 0


def test_no_answer_is_longer_than_the_stated_multiple_of_its_question() -> None:
    house = House()
    house.answer = "x" * 5_000
    for arguments, path in (((), ERROR_REPLY), ((bytes(400),), STATUS_REPLY)):
        builder = OscMessageBuilder("/house/status")
        for argument in arguments:
            builder.add_arg(argument)
        question = builder.build().dgram
        house.transport.sent.clear()
        house.surface.datagram_received(question, TECHNICIAN)
        assert sum(map(len, house.transport.sent)) <= MOST_TIMES_LONGER * len(question)
        assert [OscMessage(sent).address for sent in house.transport.sent] == [path]


def test_a_blob_as_long_as_it_says_makes_room_for_the_answer() -> None:
    house = House()
    house.answer = "x" * 5_000
    [(path, words)] = house.hear("/house/status")
    assert path == ERROR_REPLY
    [padding] = re.findall(r"a blob of (\d+) bytes", words)
    assert house.hear("/house/status", bytes(int(padding))) == [(STATUS_REPLY, house.answer)]


def test_a_datagram_that_is_no_osc_is_counted_and_nothing_more() -> None:
    house = House()
    house.surface.datagram_received(b"GET / HTTP/1.1\r\n\r\n", TECHNICIAN)
    assert house.surface.counts.malformed == 1
    assert house.transport.sent == []


def test_the_tables_for_the_guides_name_every_address_and_every_reply() -> None:
    assert all(f"`{address.path}`" in table() for address in ADDRESSES)
    replies = (DONE_REPLY, ERROR_REPLY, STATE_REPLY, STATUS_REPLY, SWAP_TOLD)
    assert {path for path, _, _ in REPLIES} == set(replies)
    assert all(f"`{path}`" in table_of_replies() for path in replies)
