"""Contents that nobody means well with: good ones with small faults, drawn from a seed."""

from __future__ import annotations

import random
import re
from collections.abc import Sequence

_NUMBERS = tuple(
    b"0 -0 1 -1 2 7 8 9 10 255 256 65535 65536 -32768 2147483647 2147483648 4294967295 9223372036854775808 1e308 "
    b"1e-320 -1e999 nan inf 0.1 00 0x10 1_000 99999999999999999999999 "
    b"1970-01-01 0001-01-01 9999-12-31T23:59:59Z".split()
)
_TEXTS = (
    b"",
    b" ",
    b"\n",
    b"\r\n",
    b"\0",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    "\u202e".encode(),
    b"\xed\xa0\x80",
    b"A" * 300,
)
_INTEGERS = (
    0,
    1,
    0x7F,
    0x80,
    0xFF,
    0x7FFF,
    0x8000,
    0xFFFF,
    0x7FFF_FFFF,
    0x8000_0000,
    0xFFFF_FFFF,
    2**63 - 1,
    2**64 - 1,
)
_NUMBER = re.compile(rb"-?\d+(?:\.\d+)?")
_MOST_BYTES = 200_000


def mutated(chance: random.Random, content: bytes, others: Sequence[bytes], words: Sequence[bytes]) -> bytes:
    """A content with one to some faults. others: contents to take parts from. words: worth putting in."""
    for _ in range(chance.choice((1, 1, 1, 2, 3, 8))):
        content = chance.choice(_WAYS)(chance, content, others, words)
    return content[:_MOST_BYTES]


Contents = Sequence[bytes]


def _bit(chance: random.Random, content: bytes, _others: Contents, _words: Contents) -> bytes:
    spoilt = bytearray(content or b"\0")
    spoilt[chance.randrange(len(spoilt))] ^= 1 << chance.randrange(8)
    return bytes(spoilt)


def _byte(chance: random.Random, content: bytes, _others: Contents, _words: Contents) -> bytes:
    at = chance.randrange(len(content) + 1)
    return content[:at] + chance.randbytes(1) + content[at + chance.choice((0, 1)) :]


def _integer(chance: random.Random, content: bytes, _others: Contents, _words: Contents) -> bytes:
    width = chance.choice((1, 2, 4, 8))
    value = chance.choice(_INTEGERS) % (1 << 8 * width)
    at = chance.randrange(len(content) + 1)
    return content[:at] + value.to_bytes(width, chance.choice(("little", "big"))) + content[at + width :]


def _cut(chance: random.Random, content: bytes, _others: Contents, _words: Contents) -> bytes:
    start, stop = sorted(chance.randrange(len(content) + 1) for _ in range(2))
    return content[:start] if chance.random() < 0.3 else content[:start] + content[stop:]


def _again(chance: random.Random, content: bytes, _others: Contents, _words: Contents) -> bytes:
    start, stop = sorted(chance.randrange(len(content) + 1) for _ in range(2))
    return content[:stop] + content[start:stop] * chance.choice((1, 1, 2, 30)) + content[stop:]


def _line(chance: random.Random, content: bytes, others: Contents, _words: Contents) -> bytes:
    lines = content.split(b"\n")
    at = chance.randrange(len(lines))
    others_lines = chance.choice([content, *others]).split(b"\n")
    match chance.randrange(4):
        case 0:
            del lines[at]
        case 1:
            lines.insert(at, chance.choice(others_lines))
        case 2:
            lines[at] = chance.choice(others_lines)
        case _:
            chance.shuffle(lines)
    return b"\n".join(lines)


def _number(chance: random.Random, content: bytes, _others: Contents, words: Contents) -> bytes:
    found = list(_NUMBER.finditer(content[:50_000]))
    if not found:
        return _byte(chance, content, (), words)
    one = chance.choice(found)
    return content[: one.start()] + chance.choice(_NUMBERS) + content[one.end() :]


def _word(chance: random.Random, content: bytes, _others: Contents, words: Contents) -> bytes:
    at = chance.randrange(len(content) + 1)
    word = chance.choice([*words, *_TEXTS]) if chance.random() < 0.7 or not words else chance.choice(words)
    return content[:at] + word + content[at + chance.choice((0, 0, len(word))) :]


def _token(chance: random.Random, content: bytes, _others: Contents, words: Contents) -> bytes:
    """Another word in the place of one."""
    found = list(re.finditer(rb"[A-Za-z_-]+", content[:50_000]))
    if not found:
        return content
    one = chance.choice(found)
    new = chance.choice([*words, *_TEXTS, chance.choice(found)[0]])
    return content[: one.start()] + bytes(new) + content[one.end() :]


def _crossed(chance: random.Random, content: bytes, others: Contents, _words: Contents) -> bytes:
    other = chance.choice([content, *others])
    return content[: chance.randrange(len(content) + 1)] + other[chance.randrange(len(other) + 1) :]


_WAYS = (_bit, _byte, _integer, _cut, _again, _line, _number, _number, _word, _token, _crossed)
