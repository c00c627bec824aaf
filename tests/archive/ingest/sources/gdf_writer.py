"""Writes GDF 2.20 files for the tests. Source: "GDF - A general data format for biosignals", version 2.20."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from datetime import datetime

import numpy as np

_MICROVOLT, _NONE = 4275, 0
_INT16 = 3
_DAYS_TO_1970 = 719_529
"""Days from the year 0 to 1970-01-01, as the format counts."""


def gdf(
    signals: Sequence[tuple[str, np.ndarray]],
    rates: Sequence[int],
    *,
    patient: str = "X X",
    began: datetime | None = None,
    records: int | None = None,
    events: Sequence[tuple[int, int]] = (),
) -> bytes:
    """A file with records of a second; int16 counts of a quarter microvolt. events: sample (from 1 on) and code."""
    count = len(signals)
    seconds = len(signals[0][1]) // rates[0]
    days = 0.0 if began is None else _DAYS_TO_1970 + (began - datetime(1970, 1, 1)).total_seconds() / 86_400  # noqa: DTZ001
    head = b"GDF 2.20" + patient.encode().ljust(66) + bytes(10 + 4) + b"X X".ljust(64) + bytes(4 + 12)
    head += struct.pack("<QQ", round(days * 2**32), 0) + struct.pack("<H", count + 1) + bytes(6 + 8 + 6 + 6 + 12 + 12)
    head += struct.pack("<qIIHH", seconds if records is None else records, 1, 1, count, 0)
    fields = [
        b"".join(label.encode().ljust(16) for label, _ in signals),
        bytes(86 * count),
        struct.pack(f"<{count}H", *[_MICROVOLT] * count),
        struct.pack(f"<{count}d", *[-8192.0] * count),
        struct.pack(f"<{count}d", *[8191.75] * count),
        struct.pack(f"<{count}d", *[-32768.0] * count),
        struct.pack(f"<{count}d", *[32767.0] * count),
        bytes(68 * count + 12 * count),
        struct.pack(f"<{count}i", *rates),
        struct.pack(f"<{count}i", *[_INT16] * count),
        bytes(12 * count + 20 * count),
    ]
    body = b"".join(
        counts[second * rate : (second + 1) * rate].astype("<i2").tobytes()
        for second in range(seconds)
        for (_, counts), rate in zip(signals, rates, strict=True)
    )
    table = b"\x01" + len(events).to_bytes(3, "little") + struct.pack("<f", rates[0])
    table += b"".join(struct.pack("<I", at) for at, _ in events) + b"".join(
        struct.pack("<H", code) for _, code in events
    )
    return head + b"".join(fields) + body + (table if events else b"")
