"""What survives of npy and npz files that were cut short or damaged.

Sources: numpy.lib.format, of NumPy 2: a header tells type, shape and order, then come the numbers. APPNOTE.TXT 6.3.10,
PKWARE, 4.3.7: in a ZIP file each member has a header of its own, so that no list of them is needed.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO
from math import prod
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.lib import format as npy
from numpy.typing import NDArray

_HEADERS = {(1, 0): npy.read_array_header_1_0, (2, 0): npy.read_array_header_2_0}
_MEMBER, _STORED, _DEFLATED = b"PK\x03\x04", 0, 8
_MEMBER_BYTES = 30
_SIZES_BEHIND = 0x08
"""The flag of a member whose sizes stand behind it: after 12 to 24 bytes the next one begins."""
_MOST_BEHIND = 24
_LARGE, _LARGE_FIELD = 0xFFFF_FFFF, 1
"""In the place of a size that stands in an additional field of eight bytes, and the number of that field."""


def surviving_npy(path: Path) -> tuple[NDArray[Any], str]:
    """The array that survives, on the disk, and the loss in words, empty if there is none.

    Raises ValueError where nothing survives.
    """
    with path.open("rb") as file:
        array = _declared(file)
    kept = array.kept(path.stat().st_size - array.begins)
    if kept is None:
        raise ValueError("no numbers survive")
    survivor = np.memmap(path, array.type, "r", array.begins, kept, "F" if array.by_columns else "C")
    return survivor, "" if kept == array.shape else f"cut short: {array.told(kept)}"


def surviving_npz(content: bytes, most_bytes: int) -> tuple[dict[str, NDArray[Any]], str]:
    """The arrays that survive, by name, and the loss in words.

    most_bytes: more than so much is not decompressed. Raises ValueError where nothing survives.
    """
    arrays: dict[str, NDArray[Any]] = {}
    told = []
    for name, data in _members(content, most_bytes):
        try:
            array = _declared(BytesIO(data))
            kept = array.kept(len(data) - array.begins)
        except Exception:  # noqa: BLE001 - of a parser of Python's syntax, on a header that may hold anything
            kept = None
        if kept is None:
            told.append(f"{name} is lost")
            continue
        numbers = np.frombuffer(data, array.type, prod(kept), array.begins)
        arrays[name] = numbers.reshape(kept, order="F" if array.by_columns else "C")
        if kept != array.shape:
            told.append(f"of {name}, {array.told(kept)}")
            arrays[name] = _as_long(arrays[name], max(array.shape), most_bytes)
    if not arrays:
        raise ValueError("no array survives")
    return arrays, f"cut short or damaged: {'; '.join(told) or 'its list of arrays is lost, and each array is whole'}"


def _as_long(array: NDArray[Any], rows: int, most_bytes: int) -> NDArray[Any]:
    """The array with as many rows as it was to have, the lost ones without a value, as it has the rate of the others.

    Its rows are the longer side. One that would be larger than most_bytes stays short.
    """
    along = int(np.argmax(array.shape))
    shape = (*array.shape[:along], rows, *array.shape[along + 1 :])
    if array.dtype.kind not in "iuf" or 8 * prod(shape) > most_bytes:
        return array
    full = np.full(shape, np.nan)
    full[tuple(slice(side) for side in array.shape)] = array
    return full


@dataclass(frozen=True)
class _Declared:
    """An array, as its header has it."""

    shape: tuple[int, ...]
    type: np.dtype[Any]
    by_columns: bool
    begins: int
    """The place of its first number, in bytes."""

    def kept(self, there_bytes: int) -> tuple[int, ...] | None:
        """The shape of what survives of so many bytes; None if that is nothing."""
        there = max(0, there_bytes) // self.type.itemsize
        if there >= prod(self.shape):
            return self.shape
        if len(self.shape) == 1:
            return (there,) if there else None
        if len(self.shape) != 2 or not there:
            return None
        lines, length = self.shape[::-1] if self.by_columns else self.shape
        kept = (there // length, length) if there >= length else (1, there)
        if lines > length and kept[0] <= length:  # too few to tell which side is time
            return None
        return kept[::-1] if self.by_columns else kept

    def told(self, kept: tuple[int, ...]) -> str:
        """What survives, in words."""
        there, promised = (" × ".join(map(str, shape)) for shape in (kept, self.shape))
        return f"{there} of {promised} numbers survive"


def _declared(file: IO[bytes]) -> _Declared:
    """Raises ValueError where it is none, and whatever NumPy raises."""
    version = npy.read_magic(file)
    if version not in _HEADERS:
        raise ValueError("another version of npy")
    shape, by_columns, dtype = _HEADERS[version](file)
    if dtype.hasobject or not dtype.itemsize or not all(side > 0 for side in shape):
        raise ValueError("no numbers")
    return _Declared(tuple(shape), dtype, bool(by_columns), file.tell())


def _members(content: bytes, left_bytes: int) -> Iterator[tuple[str, bytes]]:
    """Each member with its content, as far as it goes; nothing where that is damaged."""
    place = 0
    while content[place : place + 4] == _MEMBER and len(content) >= place + _MEMBER_BYTES:
        flags, method, _, check, packed, size, name_bytes, more_bytes = struct.unpack_from(
            "<HHIIIIHH", content, place + 6
        )
        more = place + _MEMBER_BYTES + name_bytes
        begins = more + more_bytes
        name = content[place + _MEMBER_BYTES : more].decode("utf-8", errors="replace").removesuffix(".npy")
        size, packed = _large(content[more:begins], size, packed)
        rest = content[begins:] if not packed or flags & _SIZES_BEHIND else content[begins : begins + packed]
        data, used, whole = _unpacked(rest, method, left_bytes, whole=len(rest) >= packed > 0)
        left_bytes -= len(data)
        yield name, b"" if whole and check and zlib.crc32(data) != check and not flags & _SIZES_BEHIND else data
        place = begins + used
        if flags & _SIZES_BEHIND:
            behind = content.find(_MEMBER, place, place + _MOST_BEHIND + len(_MEMBER))
            place = behind if behind >= 0 else len(content)


def _large(more: bytes, size: int, packed: int) -> tuple[int, int]:
    """The two sizes of a member, from the additional field if they stand there."""
    place = 0
    while place + 4 <= len(more):
        number, length = struct.unpack_from("<HH", more, place)
        if number == _LARGE_FIELD:
            values = list(struct.unpack_from(f"<{min(length, len(more) - place - 4) // 8}Q", more, place + 4))
            size = values.pop(0) if size == _LARGE and values else size
            packed = values.pop(0) if packed == _LARGE and values else packed
        place += 4 + length
    return size, packed


def _unpacked(rest: bytes, method: int, most_bytes: int, *, whole: bool) -> tuple[bytes, int, bool]:
    """The content, the bytes that it took, and whether it is whole; empty where it is damaged."""
    if method == _STORED:
        return rest, len(rest), whole
    if method != _DEFLATED:
        return b"", len(rest), False
    stream = zlib.decompressobj(-zlib.MAX_WBITS)
    try:
        data = stream.decompress(rest, max(most_bytes, 1))
    except zlib.error:
        return b"", len(rest), False
    return data, len(rest) - len(stream.unused_data) - len(stream.unconsumed_tail), stream.eof
