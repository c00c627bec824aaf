"""Reads the messages of a datagram.

python-osc reads single messages well, but its bundles may be nested without bound, and a negative size makes it read
the same bytes for ever. Bundles are therefore opened here.
Source: Open Sound Control 1.0 (2002), "OSC Packets", "OSC Bundles", "Temporal Semantics and OSC Time Tags".
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

from pythonosc.osc_message import OscMessage
from pythonosc.osc_message import ParseError as MessageError

_BUNDLE = b"#bundle\0"
_IMMEDIATELY = 1
_READ = frozenset("ifsbhtdrmTFN[]")
MOST_BYTES = 8_192
"""No request for residue is longer; longer datagrams are not read."""
DEEPEST = 4
MOST_MESSAGES = 64


class PacketError(Exception):
    """The datagram is not OSC, or contains too much."""


@dataclass(frozen=True, slots=True)
class Message:
    """One message: an address pattern and its arguments.

    due: the time tag of its bundle in units of 2**-32 s since 1900, None for at once.
    """

    pattern: str
    arguments: tuple[object, ...]
    due: int | None = None


def read(datagram: bytes) -> list[Message]:
    """The messages in their order. Raises PacketError."""
    if len(datagram) > MOST_BYTES:
        raise PacketError("It is too long")
    messages: list[Message] = []
    for message in _elements(datagram, None, DEEPEST):
        messages.append(message)
        if len(messages) > MOST_MESSAGES:
            raise PacketError("It carries too many messages")
    return messages


def _elements(content: bytes, due: int | None, depth: int) -> Iterator[Message]:
    if len(content) % 4 or not content:
        raise PacketError("Its size is not a multiple of four")
    if content.startswith(b"/"):
        yield _message(content, due)
        return
    if not content.startswith(_BUNDLE) or len(content) < len(_BUNDLE) + 8:
        raise PacketError("It is neither a message nor a bundle")
    if depth == 0:
        raise PacketError("Its bundles are nested too deeply")
    (tag,) = struct.unpack_from(">Q", content, len(_BUNDLE))
    own_due = None if tag == _IMMEDIATELY else tag
    if due is not None and (own_due is None or own_due < due):
        raise PacketError("A bundle within is due before the one around it")
    at = len(_BUNDLE) + 8
    while at < len(content):
        (size,) = struct.unpack_from(">i", content, at) if at + 4 <= len(content) else (-1,)
        if size <= 0 or at + 4 + size > len(content):
            raise PacketError("An element reaches over its end")
        yield from _elements(content[at + 4 : at + 4 + size], own_due, depth - 1)
        at += 4 + size


def _message(content: bytes, due: int | None) -> Message:
    end = content.index(b"\0") if b"\0" in content else len(content)
    tags_at = (end // 4 + 1) * 4
    tags = content[tags_at:].split(b"\0", 1)[0].decode("latin-1") if content[tags_at : tags_at + 1] == b"," else ""
    if not set(tags[1:]) <= _READ:
        raise PacketError("It has an argument of a kind that is not known")
    try:
        found = OscMessage(content if tags else content[:tags_at])
    except (MessageError, struct.error, ValueError, IndexError, OverflowError) as error:
        raise PacketError(str(error)) from error
    return Message(found.address, tuple(found.params), due)
