"""A sink that writes a WAV file, complete on the disk at every moment."""

from __future__ import annotations

import errno
import os
import struct
import time
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from residue.loudness.stage.capped import Capped
from residue.mapping.signals import AUDIO_RATE_HZ
from residue.output.routing import Routing
from residue.output.sink import Queued, SinkLostError

_SAMPLE_BYTES = 4
_EXTENSIBLE = 0xFFFE
_FLOAT_GUID = struct.pack("<IHH8s", 3, 0, 0x10, bytes.fromhex("800000aa00389b71"))
"""KSDATAFORMAT_SUBTYPE_IEEE_FLOAT. Source: Microsoft, WAVEFORMATEXTENSIBLE."""
_UINT32_MAX = 0xFFFF_FFFF


def header(*, channels: int, frames: int, rate_hz: int = AUDIO_RATE_HZ) -> bytes:
    """The header before the samples: RIFF with reserved space, which becomes RF64 when sizes outgrow 32 bits.

    Source: EBU Tech 3306 (RF64), section 4.
    """
    data_bytes = frames * channels * _SAMPLE_BYTES
    format_chunk = struct.pack(
        "<4sIHHIIHHHHI16s",
        *(b"fmt ", 40, _EXTENSIBLE, channels, rate_hz, rate_hz * channels * _SAMPLE_BYTES),
        *(channels * _SAMPLE_BYTES, 8 * _SAMPLE_BYTES, 22, 8 * _SAMPLE_BYTES, 0, _FLOAT_GUID),
    )
    riff_bytes = 4 + 36 + len(format_chunk) + 8 + data_bytes
    long = riff_bytes > _UINT32_MAX
    sizes = struct.pack("<QQQI", riff_bytes, data_bytes, frames, 0) if long else bytes(28)
    return b"".join(
        [
            struct.pack("<4sI4s", b"RF64" if long else b"RIFF", min(riff_bytes, _UINT32_MAX), b"WAVE"),
            struct.pack("<4sI", b"ds64" if long else b"JUNK", len(sizes)) + sizes,
            format_chunk,
            struct.pack("<4sI", b"data", min(data_bytes, _UINT32_MAX)),
        ]
    )


_HEADER_BYTES = len(header(channels=1, frames=0))


class GrowingWav:
    """A float32 WAV file that grows; the header is corrected after every write.

    If the program is killed at any moment, the file ends with the last whole block; after opening it again, it
    continues there. Raises OSError.
    """

    def __init__(self, path: Path, channels: int, rate_hz: int = AUDIO_RATE_HZ) -> None:
        self._rate_hz, self._frame_bytes = rate_hz, channels * _SAMPLE_BYTES
        self._channels = channels
        self._file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        held = max(0, os.fstat(self._file).st_size - _HEADER_BYTES)
        self.frames = held // self._frame_bytes

    def append(self, samples: NDArray[np.float32]) -> None:
        """Appends samples, (frames, channels), to the file."""
        at = _HEADER_BYTES + self.frames * self._frame_bytes
        if os.pwrite(self._file, samples.tobytes(), at) < samples.nbytes:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        self.frames += len(samples)
        self._write_header()

    def end_at(self, frames: int) -> None:
        """Cuts the file after so many frames, and removes half a frame at the end."""
        self.frames = min(self.frames, frames)
        os.ftruncate(self._file, _HEADER_BYTES + self.frames * self._frame_bytes)
        self._write_header()

    def onto_disk(self) -> None:
        """Waits until the written frames are on the disk."""
        os.fsync(self._file)

    def close(self) -> None:
        """Closes the file."""
        os.close(self._file)

    def _write_header(self) -> None:
        os.pwrite(self._file, header(channels=self._channels, frames=self.frames, rate_hz=self._rate_hz), 0)


class WavSink:
    """Appends to a float32 WAV file without waiting.

    Raises SinkLostError where the file cannot be opened.
    """

    latency_s = 0.0
    late_blocks = 0

    def __init__(self, path: Path, routing: Routing) -> None:
        self._path = path
        self._routing = routing
        try:
            self._wav = GrowingWav(path, routing.width)
        except OSError as error:
            raise SinkLostError(f"{path} cannot be written: {error.strerror}.") from error

    def write(self, capped: Capped) -> None:
        """Appends the frames; raises SinkLostError where the disk cannot be written."""
        self.play(self._routing.interleaved(capped))

    def play(self, frames: NDArray[np.float32]) -> Queued:
        """Appends routed frames, of which none is left to play."""
        try:
            self._wav.append(frames)
        except OSError as error:
            raise SinkLostError(f"{self._path} takes no more: {error.strerror}.") from error
        now_s = time.monotonic()
        return Queued(asked_s=now_s, at_s=now_s, queued_frames=0.0)

    def close(self) -> None:
        """Closes the file."""
        self._wav.close()
