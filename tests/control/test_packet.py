import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.control.packet import DEEPEST, MOST_BYTES, MOST_MESSAGES, Message, PacketError, read
from tests.properties import spoilt

# Open Sound Control 1.0, examples (29 March 2002): the bytes as printed there.
FREQUENCY = bytes.fromhex("2f6f7363696c6c61746f722f342f6672657175656e6379002c66000043dc0000")
FOO = bytes.fromhex("2f666f6f000000002c69697366660000000003e8ffffffff68656c6c6f0000003f9df3b640b5b22d")
AT_ONCE = b"#bundle\0" + struct.pack(">Q", 1)


def bundle(*elements: bytes, tag: int = 1) -> bytes:
    sized = b"".join(struct.pack(">i", len(element)) + element for element in elements)
    return b"#bundle\0" + struct.pack(">Q", tag) + sized


def test_the_examples_of_the_standard_are_read() -> None:
    assert read(FREQUENCY) == [Message("/oscillator/4/frequency", (440.0,))]
    (foo,) = read(FOO)
    assert foo.pattern == "/foo"
    assert foo.arguments[:3] == (1000, -1, "hello")
    assert foo.arguments[3:] == pytest.approx((1.234, 5.678))


def test_messages_of_a_bundle_come_in_their_order_and_with_their_time() -> None:
    tag = 3_976_214_400 << 32  # 2026-01-01T00:00Z
    within = bundle(FOO, tag=tag + 1)
    assert [(m.pattern, m.due) for m in read(bundle(FREQUENCY, within, FREQUENCY, tag=tag))] == [
        ("/oscillator/4/frequency", tag),
        ("/foo", tag + 1),
        ("/oscillator/4/frequency", tag),
    ]
    assert read(bundle(FOO))[0].due is None


def test_a_message_without_a_type_tag_string_is_tolerated() -> None:
    assert read(b"/house/hold\0") == [Message("/house/hold", ())]


def nested(depth: int) -> bytes:
    packet = FOO
    for _ in range(depth):
        packet = bundle(packet)
    return packet


MALFORMED = {
    "nothing": b"",
    "no slash": b"house\0\0\0",
    "not a multiple of four": b"/foo\0\0\0",
    "a bundle cut short": AT_ONCE[:12],
    "an element of a negative size": AT_ONCE + struct.pack(">i", -4),
    "an element of no size": AT_ONCE + struct.pack(">i", 0),
    "an element over the end": AT_ONCE + struct.pack(">i", 400) + FOO,
    "a size cut short": AT_ONCE + b"\0\0\0\0"[:4] + b"",
    "an unknown type": b"/foo\0\0\0\0,z\0\0",
    "an argument that is missing": b"/foo\0\0\0\0,i\0\0",
    "an array left open": b"/foo\0\0\0\0,[i\0\0\0\0\1",
    "too deep": nested(DEEPEST + 1),
    "too long": b"/foo" + bytes(MOST_BYTES),
    "too many messages": bundle(*[b"/foo\0\0\0\0"] * (MOST_MESSAGES + 1)),
    "within earlier than around": bundle(bundle(FOO, tag=5 << 32), tag=6 << 32),
    "a string that is not ASCII": b"/f\xff\xfe\0\0\0\0",
}


@pytest.mark.parametrize("datagram", MALFORMED.values(), ids=MALFORMED.keys())
def test_what_is_not_osc_is_refused(datagram: bytes) -> None:
    with pytest.raises(PacketError):
        read(datagram)


def is_refused_or_sensible(datagram: bytes) -> bool:
    try:
        messages = read(datagram)
    except PacketError:
        return True
    patterns = [message.pattern for message in messages]
    return len(patterns) <= MOST_MESSAGES and all(one.startswith("/") and one.isascii() for one in patterns)


@given(st.one_of(st.binary(max_size=200), st.binary(max_size=100).map(lambda tail: AT_ONCE + tail)))
def test_no_datagram_makes_the_reader_fail_otherwise(datagram: bytes) -> None:
    assert is_refused_or_sensible(datagram)


@given(st.data())
def test_no_changed_message_makes_the_reader_fail_otherwise(data: st.DataObject) -> None:
    datagram = spoilt(data, bundle(FOO, nested(2), FREQUENCY), most=8)
    assert is_refused_or_sensible(datagram)
