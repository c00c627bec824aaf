"""Datagrams that nobody who means well would send: from a seed, as fast as they can be made."""

from __future__ import annotations

import random
import struct
from collections.abc import Iterator

from residue.control.addresses import ADDRESSES

PATHS = [address.path.encode() for address in ADDRESSES]
HOSTILE = [
    b"/" + b"*a" * 900,
    b"/house/" + b"{a,aa,hold," * 300,
    b"/house/" + b"[!a-z]" * 300,
    b"/house/" + b"?" * 2_000,
    b"/*/*",
    b"/house/{hold,release,next,trim,status}",
    b"//*//",
    b"/house/[h-a]old",
    b"/" + b"house/" * 400,
]
NUMBERS = [0, 1, -1, 0x7FFFFFFF, -0x80000000]
FLOATS = [0.0, -6.0, 40.0, 1e38, float("inf"), float("-inf"), float("nan")]


def padded(text: bytes) -> bytes:
    return text + b"\0" * (4 - len(text) % 4)


def message(chance: random.Random) -> bytes:
    """Well formed, with an address and arguments that may be anything."""
    path = chance.choice(PATHS) if chance.random() < 0.5 else chance.choice(HOSTILE)
    tags, content = b",", b""
    for _ in range(chance.choice([0, 0, 1, 1, 2, 8])):
        tag = chance.choice("ifsbhtdTFNIr[]z")
        tags += tag.encode()
        content += _argument(chance, tag)
    return padded(path) + padded(tags) + content


def _argument(chance: random.Random, tag: str) -> bytes:
    match tag:
        case "i":
            return struct.pack(">i", chance.choice(NUMBERS))
        case "f":
            return struct.pack(">f", chance.choice(FLOATS))
        case "d":
            return struct.pack(">d", chance.choice(FLOATS))
        case "h" | "t":
            return struct.pack(">Q", chance.getrandbits(64))
        case "s":
            return padded(chance.choice([b"", b"\xff\xfe", b"../../etc", b"key" * 50, b"now"]))
        case "b":
            size = chance.choice([0, 3, 64, 0x7FFFFFFF, -4])
            return struct.pack(">i", size) + bytes(min(64, max(0, size)))
        case "r":
            return chance.randbytes(4)
        case _:
            return b""


def bundle(chance: random.Random, depth: int) -> bytes:
    """Nested, its sizes sometimes wrong, its time tags at any moment of the century."""
    packet = b"#bundle\0" + struct.pack(">Q", chance.choice([0, 1, 1, chance.getrandbits(64)]))
    for _ in range(70 if chance.random() < 0.02 else chance.randint(0, 2)):
        element = bundle(chance, depth - 1) if depth and chance.random() < 0.6 else message(chance)
        size = len(element) if chance.random() < 0.95 else chance.choice([0, -1, -4, 0x7FFFFFFF, 3])
        packet += struct.pack(">i", size) + element
    return packet


def datagram(chance: random.Random) -> bytes:
    """Any of these, or one of them with some bytes changed or its end cut off."""
    kind = chance.random()
    if kind < 0.45:
        made = message(chance)
    elif kind < 0.53:
        made = bundle(chance, chance.choice([0, 1, 3, 12]))
    elif kind < 0.54:
        made = chance.randbytes(1) * chance.choice([8_193, 30_000, 65_000])
    else:
        made = chance.randbytes(chance.choice([0, 1, 4, 16, 64, 400]))
    if made and chance.random() < 0.3:
        spoilt = bytearray(made)
        for _ in range(chance.randint(1, 4)):
            spoilt[chance.randrange(len(spoilt))] = chance.getrandbits(8)
        made = bytes(spoilt[: chance.randint(1, len(spoilt))] if chance.random() < 0.5 else spoilt)
    return made[:65_000]


def datagrams(seed: int, count: int) -> Iterator[bytes]:
    chance = random.Random(seed)
    return (datagram(chance) for _ in range(count))
