"""Writes FIT files for the tests. Source: the FIT protocol (headers, definition messages, data messages)."""

from __future__ import annotations

import struct
from collections.abc import Sequence

import fitdecode


def fit(*intervals_ms: int) -> bytes:
    """A file with one message of intervals (message 78, field 0)."""
    count = len(intervals_ms)
    body = bytes([0x40, 0, 0]) + struct.pack("<HB", 78, 1) + bytes([0, 2 * count, 0x84])
    return _file(body + b"\x00" + struct.pack(f"<{count}H", *intervals_ms))


def fit_rows(rows: Sequence[tuple[int, int]]) -> bytes:
    """A file with rows (message 20): a time in seconds of the format (field 253) and a heart rate (field 3)."""
    body = bytes([0x40, 0, 0]) + struct.pack("<HB", 20, 2) + bytes([253, 4, 0x86, 3, 1, 0x02])
    return _file(body + b"".join(b"\x00" + struct.pack("<IB", at_s, rate) for at_s, rate in rows))


def _file(body: bytes) -> bytes:
    head = struct.pack("<BBHI4s", 12, 0x10, 2100, len(body), b".FIT")
    return head + body + struct.pack("<H", fitdecode.utils.compute_crc(head + body))
