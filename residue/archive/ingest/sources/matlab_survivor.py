"""What survives of a MATLAB 5 file that was cut short or damaged: a whole file of the variables and columns there are.

Source: "MAT-File Format", The MathWorks, R2019b, chapter 1: a header of 128 bytes, then data elements: type and size
of four bytes each, and the data, padded to eight bytes. A compressed element holds one element in zlib's format. An
array is an element of elements: flags, dimensions, name, and its numbers column by column, or other arrays.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum, auto
from math import prod
from typing import Literal

HEADER_BYTES = 128
_ORDERS: Mapping[bytes, Literal["little", "big"]] = {b"IM": "little", b"MI": "big"}
"""By the last two bytes of the header."""
_TAG_BYTES = 8
_MATRIX, _COMPRESSED = 14, 15
_NUMBER_BYTES = {1: 1, 2: 1, 3: 2, 4: 2, 5: 4, 6: 4, 7: 4, 9: 8, 12: 8, 13: 8}
"""The size of a number by its type."""
_CELLS, _STRUCTURE, _NUMBERS = 1, 2, range(6, 16)
"""Classes of arrays."""
_CLASS, _COMPLEX = 0xFF, 0x0800
"""Bits of the flags of an array: its class, and whether its numbers have an imaginary part."""
_MOST_DEPTH = 20
_Bytes = bytes | memoryview


def mended(content: bytes, most_bytes: int) -> tuple[bytes, str]:
    """A file that is whole, and what it lacks in words, empty where nothing is damaged.

    most_bytes: more than so much is not decompressed. Raises ValueError where it is no MATLAB 5 file.
    """
    order = _ORDERS.get(content[126:128])
    if order is None:
        raise ValueError("it is no MATLAB 5 file")
    survivor = _Survivor(order, most_bytes)
    parts, place = [content[:HEADER_BYTES]], HEADER_BYTES
    while place + _TAG_BYTES <= len(content):
        kind, size = survivor.words(content[place : place + _TAG_BYTES])
        whole = content[place : place + _TAG_BYTES + size]
        parts.append(survivor.variable(kind, whole, cut=len(whole) < _TAG_BYTES + size))
        place += _TAG_BYTES + size
    told = "; ".join(survivor.told)
    return b"".join(parts), f"cut short or damaged: {told}" if told else ""


class _State(Enum):
    """What became of a compressed element."""

    WHOLE = auto()
    CUT = auto()
    DAMAGED = auto()


@dataclass
class _Survivor:
    order: Literal["little", "big"]
    left_bytes: int
    told: list[str] = field(default_factory=list)

    def words(self, raw: _Bytes) -> tuple[int, int]:
        return int.from_bytes(raw[:4], self.order), int.from_bytes(raw[4:8], self.order)

    def element(self, kind: int, data: _Bytes) -> bytes:
        head = kind.to_bytes(4, self.order) + len(data).to_bytes(4, self.order)
        return head + data + bytes(-len(data) % 8)

    def variable(self, kind: int, whole: bytes, *, cut: bool) -> bytes:
        """An element with what survives of it; nothing if that is nothing."""
        body = whole[_TAG_BYTES:]
        if kind == _COMPRESSED:
            inner, state = self._decompressed(body)
            if state is _State.WHOLE and not cut:
                return whole
            # What is damaged is decompressed to anything before that shows: its check sum comes last.
            kind, body = self.words(inner[:_TAG_BYTES])[0], inner[_TAG_BYTES:] if state is _State.CUT else b""
        elif not cut:
            return whole
        array = self._array(body, "") if kind == _MATRIX else None
        if array is None:
            self.told.append("one variable is lost")
        return array or b""

    def _decompressed(self, data: bytes) -> tuple[bytes, _State]:
        stream = zlib.decompressobj()
        try:
            found = stream.decompress(data, max(self.left_bytes, 1))
        except zlib.error:
            return b"", _State.DAMAGED
        self.left_bytes -= len(found)
        return found, _State.WHOLE if stream.eof else _State.CUT

    def _array(self, body: _Bytes, within: str, depth: int = 0) -> bytes | None:
        """A matrix element with what survives of its body; None if that is nothing."""
        parts = _Parts(body, self.order)
        flags, shape, name = parts.next(), parts.next(), parts.next()
        if flags is None or shape is None or name is None or depth > _MOST_DEPTH:
            return None
        label = within or name.data.decode("latin-1").strip("\0") or "an array"
        what = int.from_bytes(flags.data[:4], self.order)
        kind = what & _CLASS
        held = flags.raw, shape.raw, name.raw
        sides = [int.from_bytes(shape.data[at : at + 4], self.order) for at in range(0, len(shape.data), 4)]
        if kind in _NUMBERS and not what & _COMPLEX:
            return self._numbers(parts.rest, sides, label, held)
        if kind == _CELLS:
            return self._arrays(parts.rest, prod(sides), label, held, depth)
        if kind == _STRUCTURE and (width := parts.next()) and (names := parts.next()):
            each = max(1, int.from_bytes(width.data[:4], self.order))
            count = len(names.data) // each * prod(sides)
            return self._arrays(parts.rest, count, label, (*held, width.raw, names.raw), depth)
        return None

    def _numbers(self, rest: _Bytes, sides: list[int], label: str, held: tuple[bytes, ...]) -> bytes | None:
        """Whole columns, or the beginning of the first one."""
        flags, _, name = held
        kind, _ = self.words(rest[:_TAG_BYTES])
        size = _NUMBER_BYTES.get(kind)
        if size is None or len(sides) != 2 or not all(sides):
            return None
        rows, columns = sides
        there = min((len(rest) - _TAG_BYTES) // size, rows * columns)
        if there <= 0:
            return None
        kept = (rows, there // rows) if there >= rows else (there, 1)
        if rows < columns and kept[1] <= rows:  # too few to tell that its rows are channels
            return None
        if kept != (rows, columns):
            self.told.append(f"of {label}, {kept[0]} × {kept[1]} of {rows} × {columns} numbers survive")
        numbers = rest[_TAG_BYTES : _TAG_BYTES + size * kept[0] * kept[1]]
        shape = self.element(5, b"".join(side.to_bytes(4, self.order) for side in kept))
        return self.element(_MATRIX, flags + shape + name + self.element(kind, numbers))

    def _arrays(self, rest: _Bytes, count: int, label: str, held: tuple[bytes, ...], depth: int) -> bytes | None:
        """The arrays within another one; in the place of those that are lost stands an empty one."""
        parts = _Parts(rest, self.order)
        within: list[bytes] = []
        while len(within) < count and (part := parts.next()):
            within.append(part.raw)
        if len(within) < count and len(parts.rest) > _TAG_BYTES:
            found = self._array(parts.rest[_TAG_BYTES:], label, depth + 1)
            within.extend([found] if found else [])
        if not within or count > len(rest):
            return None
        if len(within) < count:
            self.told.append(f"of {label}, {len(within)} of {count} parts survive")
        within += [self._empty()] * (count - len(within))
        return self.element(_MATRIX, b"".join(held) + b"".join(within))

    def _empty(self) -> bytes:
        """An array of numbers without any."""
        flags = self.element(6, (6).to_bytes(4, self.order) + bytes(4))
        return self.element(_MATRIX, flags + self.element(5, bytes(8)) + self.element(1, b"") + self.element(9, b""))


@dataclass(frozen=True)
class _Part:
    raw: bytes
    """With its tag and its padding."""
    data: bytes


class _Parts:
    """The elements that stand one after the other; the last may be cut. rest: what follows, which is not copied."""

    def __init__(self, body: _Bytes, order: Literal["little", "big"]) -> None:
        self.rest, self._order = memoryview(body), order

    def next(self) -> _Part | None:
        """The next whole element; None if it is cut, or there is none."""
        first = int.from_bytes(self.rest[:4], self._order)
        if small := first >> 16:  # up to four bytes stand in the tag itself
            raw, data = self.rest[:8], self.rest[4 : 4 + small]
            size = 8 if small <= 4 else len(self.rest) + 1
        else:
            length = int.from_bytes(self.rest[4:8], self._order)
            size = _TAG_BYTES + length + -length % 8
            raw, data = self.rest[:size], self.rest[_TAG_BYTES : _TAG_BYTES + length]
        if len(self.rest) < size:
            return None
        self.rest = self.rest[size:]
        return _Part(bytes(raw), bytes(data))
