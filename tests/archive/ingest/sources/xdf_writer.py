"""A small writer of XDF files, after the published specification (XDF 1.0), for no package carries any."""

from __future__ import annotations

import struct
from collections.abc import Sequence

import numpy as np

FILE_HEADER, STREAM_HEADER, SAMPLES, CLOCK_OFFSET, STREAM_FOOTER = 1, 2, 3, 4, 6


def chunk(tag: int, content: bytes) -> bytes:
    """Length in eight bytes, tag in two, content."""
    return b"\x08" + struct.pack("<QH", len(content) + 2, tag) + content


def file_header(moment: str) -> bytes:
    """Magic and the first chunk."""
    xml = f"<?xml version='1.0'?><info><version>1.0</version><datetime>{moment}</datetime></info>"
    return b"XDF:" + chunk(FILE_HEADER, xml.encode())


def stream_header(number: int, name: str, kind: str, rate_hz: float, form: str, labels: Sequence[str]) -> bytes:
    """A stream and its channels."""
    channels = "".join(f"<channel><label>{label}</label><unit>uV</unit></channel>" for label in labels)
    xml = (
        f"<?xml version='1.0'?><info><name>{name}</name><type>{kind}</type><channel_count>{len(labels)}</channel_count>"
        f"<nominal_srate>{rate_hz}</nominal_srate><channel_format>{form}</channel_format>"
        f"<hostname>bakery-laptop</hostname><desc><channels>{channels}</channels></desc></info>"
    )
    return chunk(STREAM_HEADER, struct.pack("<I", number) + xml.encode())


def samples(number: int, times_s: np.ndarray, values: np.ndarray) -> bytes:
    """Samples of double64 with a time each."""
    content = struct.pack("<I", number) + b"\x08" + struct.pack("<Q", len(times_s))
    for time_s, row in zip(times_s, values, strict=True):
        content += b"\x08" + struct.pack("<d", time_s) + row.astype("<f8").tobytes()
    return chunk(SAMPLES, content)


def texts(number: int, marks: Sequence[tuple[float, str]]) -> bytes:
    """Samples of one string each."""
    content = struct.pack("<I", number) + b"\x08" + struct.pack("<Q", len(marks))
    for time_s, text in marks:
        content += b"\x08" + struct.pack("<d", time_s) + b"\x04" + struct.pack("<I", len(text.encode())) + text.encode()
    return chunk(SAMPLES, content)


def clock_offset(number: int, collected_s: float, offset_s: float) -> bytes:
    """What must be added to a stream's times to get those of the recording computer."""
    return chunk(CLOCK_OFFSET, struct.pack("<Idd", number, collected_s, offset_s))


def stream_footer(number: int, first_s: float, last_s: float, count: int) -> bytes:
    """The end of a stream."""
    xml = (
        f"<?xml version='1.0'?><info><first_timestamp>{first_s}</first_timestamp>"
        f"<last_timestamp>{last_s}</last_timestamp><sample_count>{count}</sample_count></info>"
    )
    return chunk(STREAM_FOOTER, struct.pack("<I", number) + xml.encode())
