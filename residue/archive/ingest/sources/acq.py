"""AcqKnowledge files (acq) as sources; needs the extra "acq"."""

from __future__ import annotations

import logging
import math
import struct
import zlib
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from residue.archive.ingest.columns import EvenStream
from residue.archive.ingest.extras import FAULTS, extra, faults_told, without_warnings
from residue.archive.ingest.memory import check_memory
from residue.archive.ingest.source import IngestSource, Track, guess_kind, own_labels
from residue.archive.ingest.stated import exact_rate_hz, plain_unit
from residue.archive.performance import LONGEST_S, Mark
from residue.dsp.resampling import Floats
from residue.problems import stopping

_MOST_CHANNELS = 1024
_LARGEST_COUNT = 1 << 15
_UNITS = {"Volts": "V", "volts": "V", "": "1"}
_AGAIN = "Copy it again, or export it from the recorder's program as EDF or as text."
_FAULTS = (*FAULTS, ArithmeticError, RuntimeError, struct.error, zlib.error)


@dataclass(frozen=True)
class _Samples:
    """A channel as it was stored, scaled piece by piece."""

    raw: Any
    scale: float
    offset: float

    @property
    def length(self) -> int:
        """The length in samples."""
        return len(self.raw)

    def read(self, start: int, stop: int) -> Floats:
        """Samples start, …, stop - 1, in the unit of the channel."""
        part = self.raw[start:stop]
        return np.asarray(part * self.scale + self.offset if part.dtype.kind == "i" else part, np.float64)


def open_acq_source(path: Path, *, salvage: bool = False) -> IngestSource:
    """Opens every channel, at its own rate and in its own unit, with its event markers.

    salvage: take the samples that are there, if the headers promise more. Raises ProblemError.
    """
    bioread = extra("acq", path)
    what = "It is not an AcqKnowledge file that can be read"
    with faults_told(path, _FAULTS, what, _AGAIN), without_warnings(), _quiet():
        reader = bioread.reader.Reader.read_headers(str(path))
        headers = reader.datafile
        if headers is None:
            raise stopping(path.name, "It does not begin as an AcqKnowledge file does.", _AGAIN)
        missing = _missing_bytes(path, headers, int(reader.data_start_offset))
        if missing and not salvage:
            what = (
                f"It is cut short: it declares {_declared_bytes(headers)} bytes of samples, and {missing} are missing."
            )
            raise stopping(path.name, what, _AGAIN)
        check_memory(path, 2 * (_declared_bytes(headers) - missing), "Close other programs, or export it as EDF.")
        lost, file = "", headers
        if missing:
            lost = _cut(path, headers, _declared_bytes(headers) - missing)
            with path.open("rb") as samples:
                samples.seek(reader.data_start_offset)
                bioread.data_reader.read_uncompressed(samples, headers.channels)
        elif headers.is_compressed:
            lost = _decompressed(path, reader, bioread.headers)
            if lost and not salvage:
                raise stopping(path.name, f"It is {lost}.", _AGAIN)
        else:
            file = bioread.read(str(path))
        marks = tuple(_marks(file))
        tracks = tuple(_tracks(path, file))
    private = ("journal",) if getattr(file, "journal", None) else ()
    return IngestSource(path, tracks, began=_began(file), marks=marks, private=private, lost=lost)


def _declared_bytes(headers: Any) -> int:
    return sum(int(channel.data_length) for channel in headers.channels)


def _missing_bytes(path: Path, headers: Any, begins: int) -> int:
    """The samples, in bytes, that the headers declare and the file does not hold. Raises ProblemError.

    Those of a compressed file are not known.
    """
    channels, size = headers.channels, path.stat().st_size
    if not 1 <= len(channels) <= _MOST_CHANNELS or any(channel.point_count < 1 for channel in channels):
        raise stopping(path.name, "It holds no samples.", "Leave it out, or find the right file.")
    return 0 if headers.is_compressed else max(0, begins + _declared_bytes(headers) - size)


def _decompressed(path: Path, reader: Any, kinds: Any) -> str:
    """Reads the samples of a compressed file, which stand channel by channel; gives the loss in words.

    No more of a channel is decompressed than it declares. kinds: the headers that the library knows. Raises
    ProblemError where no samples survive.
    """
    channels, told = reader.datafile.channels, []
    main = next((one for one in reversed(reader.headers) if isinstance(one, kinds.MainCompressionHeader)), None)
    place = None if main is None else main.offset + main.effective_len_bytes
    with path.open("rb") as file:
        reader.header_reader.acq_file = file
        for channel in channels:
            data = b""
            with suppress(*_FAULTS):  # of a header that is cut, and of a channel that is damaged
                head = reader.header_reader.single_header(place, kinds.ChannelCompressionHeader)
                place = place + head.effective_len_bytes if head.compressed_data_len > 0 else None
                file.seek(head.compressed_data_offset)
                packed = file.read(head.compressed_data_len)
                data = zlib.decompressobj().decompress(packed, int(channel.data_length))
            count = len(data) // channel.dtype.itemsize
            channel.raw_data = np.frombuffer(data, channel.dtype, count)
            if count < channel.point_count:
                told.append(f"of {channel.name.strip()}, {count} of {channel.point_count} samples survive")
    if not any(len(channel.raw_data) for channel in channels):
        raise stopping(path.name, "No samples survive in it.", _AGAIN)
    return f"cut short or damaged: {'; '.join(told)}" if told else ""


def _cut(path: Path, file: Any, held_bytes: int) -> str:
    """Lets the channels declare the samples that are there, and gives the loss in words. Raises ProblemError.

    The samples of all channels stand in turns: one of a channel at every so many of the fastest one.
    """
    dividers = [int(channel.frequency_divider) for channel in file.channels]
    sizes = [int(channel.sample_size) for channel in file.channels]
    counts = [_samples_within(number, dividers, sizes, held_bytes) for number in range(len(sizes))]
    if not all(counts):
        raise stopping(path.name, "It ends before the first sample of each channel.", _AGAIN)
    rate_hz = float(file.channels[0].samples_per_second)
    survives_s, of_s = (count / rate_hz for count in (counts[0], file.channels[0].point_count))
    for channel, count in zip(file.channels, counts, strict=True):
        channel.point_count = min(count, channel.point_count)
    return f"cut short: {survives_s:g} s survive, of {of_s:g} s that its headers promise"


def _samples_within(channel: int, dividers: Sequence[int], sizes: Sequence[int], held_bytes: int) -> int:
    """The samples of a channel that end within so many bytes."""

    def ends(sample: int) -> int:
        """The byte at which a sample ends: behind it are all that come earlier, and those before it in its turn."""
        turn = sample * dividers[channel]
        return sum(
            size * (-(-turn // divider) + (turn % divider == 0 and number <= channel))
            for number, (divider, size) in enumerate(zip(dividers, sizes, strict=True))
        )

    return bisect_right(range(held_bytes // sizes[channel] + 1), held_bytes, key=ends)


def _tracks(path: Path, file: Any) -> Iterator[Track]:
    channels = [channel for channel in file.channels if len(channel.raw_data)]
    labels = own_labels([channel.name.strip() or "channel" for channel in channels])
    for label, channel in zip(labels, channels, strict=True):
        rate_hz = exact_rate_hz(float(channel.samples_per_second))
        if rate_hz <= 0 or len(channel.raw_data) > LONGEST_S * rate_hz:
            raise stopping(path.name, f"Its channel {label} is longer than a week.", _AGAIN)
        samples = _Samples(channel.raw_data, float(channel.raw_scale_factor), float(channel.raw_offset))
        if not math.isfinite(abs(samples.scale) * _LARGEST_COUNT + abs(samples.offset)):
            raise stopping(path.name, f"Its channel {label} states no scale that can be.", _AGAIN)
        unit = plain_unit(channel.units.strip())
        yield Track(label, EvenStream(samples, rate_hz), unit=_UNITS.get(unit, unit), kind=guess_kind(label))


def _marks(file: Any) -> Iterator[Mark]:
    for marker in file.event_markers or ():
        at_s = marker.sample_index / file.samples_per_second
        if marker.text and abs(at_s) <= LONGEST_S:
            yield Mark(at_s=round(float(at_s), 6), text=marker.text)


def _began(file: Any) -> datetime | None:
    """When the marker was made that stands at the first sample, which is the beginning; None where there is none."""
    made = (one.date_created_utc for one in file.event_markers or () if one.sample_index == 0)
    return next(filter(None, made), None)


@contextmanager
def _quiet() -> Iterator[None]:
    """Keeps the messages of the library to itself; what matters of them is raised as well."""
    library = logging.getLogger("bioread")
    before, library.disabled = library.disabled, True
    try:
        yield
    finally:
        library.disabled = before
