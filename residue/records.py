"""Records that the program writes for itself: JSON with a check sum, so that a flipped bit is always detected."""

from __future__ import annotations

import zlib
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from residue.small_files import read_small

T = TypeVar("T")

_SUM_BEGINS = b"\ncrc32 "
_MOST_BYTES = 64 << 20
"""Far more than any record of ours: a larger file is not read."""


class SpoiltRecordError(ValueError):
    """A record is damaged; the text gives the reason, for people."""


def encode_record(value: Any) -> bytes:
    """The value as JSON, then a line with the CRC-32 of that JSON."""
    content = msgspec.json.encode(value)
    return content + _SUM_BEGINS + b"%08x\n" % zlib.crc32(content)


def decode_record(content: bytes, kind: type[T]) -> T:
    """The value of a record. For all possible bytes it raises SpoiltRecordError and no other error.

    A record without a sum is one of an earlier version, and is read as it is.
    """
    begins = content.rfind(_SUM_BEGINS)
    if begins >= 0:
        content, told = content[:begins], content[begins + len(_SUM_BEGINS) :]
        if told != b"%08x\n" % zlib.crc32(content):
            raise SpoiltRecordError("its check sum does not fit")
    try:
        return msgspec.json.decode(content, type=kind)
    except (msgspec.MsgspecError, ValueError, RecursionError, OverflowError) as error:
        raise SpoiltRecordError(str(error) or type(error).__name__) from error


def read_record(path: Path, kind: type[T]) -> T:
    """The value of a record on disk. Raises OSError, or SpoiltRecordError for a damaged one."""
    return decode_record(read_small(path, _MOST_BYTES), kind)
