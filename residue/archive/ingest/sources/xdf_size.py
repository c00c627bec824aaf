"""The memory that an XDF file needs, because the library loads the whole file.

Source: XDF specification 1.0: a chunk is the count of its length's bytes, the length, a tag in two bytes, and content
that for samples and stream headers begins with the stream's number in four.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

_MAGIC_BYTES = 4
_STREAM_HEADER, _SAMPLES = 2, 3
_NUMBER_BYTES = {b"int8": 1, b"int16": 2, b"int32": 4, b"float32": 4, b"int64": 8, b"double64": 8}
_TIMES_BYTES = 100
_COUNT = re.compile(rb"<channel_count>\s*(\d{1,6})\s*<")
_FORMAT = re.compile(rb"<channel_format>\s*(\w+)\s*<")


def memory_needed_bytes(path: Path) -> int:
    """An upper bound, from the formats and sizes of the streams. Raises OSError.

    A sample takes a byte and its numbers in the file. For a while the library has its numbers twice in memory, and its
    time many times (measured: 91 bytes for one int16, 118 for eight float32, 164 for eight float64).
    """
    row_bytes: dict[bytes, int] = {}
    sample_bytes: Counter[bytes] = Counter()
    with path.open("rb") as file:
        file.seek(_MAGIC_BYTES)
        for tag, length in _chunks(file, path.stat().st_size):
            if tag == _STREAM_HEADER:
                content = file.read(length)
                row_bytes[content[:4]] = _row_bytes(content)
            elif tag == _SAMPLES:
                sample_bytes[file.read(4)] += length
    rows = ((size, row_bytes.get(number, 1)) for number, size in sample_bytes.items())
    return sum(size * (2 * row + _TIMES_BYTES) // (row + 1) for size, row in rows)


def _row_bytes(header: bytes) -> int:
    """The bytes of a sample's numbers; a text counts as one byte, which gives the highest bound."""
    count, form = _COUNT.search(header), _FORMAT.search(header)
    return max(1, int(count[1]) * _NUMBER_BYTES.get(form[1], 0)) if count and form else 1


def _chunks(file: BinaryIO, size: int) -> Iterator[tuple[int, int]]:
    """Tag and size of the content of each chunk, with the file at its content; ends at a chunk that is too long."""
    while (width := file.read(1)) in (b"\x01", b"\x04", b"\x08"):
        length = int.from_bytes(file.read(width[0]), "little") - 2
        tag = int.from_bytes(file.read(2), "little")
        place = file.tell()
        if not 0 <= length <= size - place:
            return
        yield tag, length
        file.seek(place + length)
