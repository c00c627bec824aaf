"""EDF, EDF+, BDF and BDF+ files: calibrated by edfio, a few data records at a time, so that memory does not grow."""

from __future__ import annotations

import io
import math
import warnings
from pathlib import Path

import edfio
import numpy as np
from numpy.typing import NDArray

from residue.archive.performance import LONGEST_S, Channel
from residue.archive.readers.data_records import DataRecords
from residue.archive.readers.edf_annotations import record_onsets
from residue.archive.readers.edf_layout import AGAIN, ANNOTATIONS, FIXED_BYTES, EdfLayout, read_layout
from residue.dsp.resampling import Floats, SampleStream
from residue.problems import nearest, stopping

_BLOCK_SAMPLES = 1 << 16
_FIELD_WIDTHS = (16, 80, 8, 8, 8, 8, 8, 80, 8, 32)
"""The widths in bytes of the fields of each signal in the header, from its label to the reserved field."""


class Records:
    """The raw data records of a file, which its signals share."""

    def __init__(self, path: Path, layout: EdfLayout) -> None:
        self.path, self.layout = path, layout
        self._data = DataRecords(
            path,
            begins=layout.header_bytes,
            record_bytes=layout.record_bytes,
            count=layout.records,
            at_once=_BLOCK_SAMPLES // max(layout.samples),
        )

    def part(self, signal: int, *, start: int, stop: int) -> NDArray[np.uint8]:
        """(records, bytes): the bytes of one signal in the records from `start` to `stop`, or to the block's end."""
        before = sum(self.layout.samples[:signal]) * self.layout.sample_bytes
        width = self.layout.samples[signal] * self.layout.sample_bytes
        return self._data.part(slice(before, before + width), start=start, stop=stop)


class EdfSignal:
    """One signal of an EDF or BDF file in physical values; NaN between the parts of a discontinuous one."""

    def __init__(self, records: Records, signal: int) -> None:
        self._records, self._signal = records, signal
        self._path, self._layout = records.path, records.layout
        self._per_record = self._layout.samples[signal]
        self.rate_hz = self._per_record / self._layout.record_s
        self._starts = self._record_starts()
        self.length = int(self._starts[-1]) + self._per_record

    def _record_starts(self) -> NDArray[np.int64]:
        """The sample that each record starts with."""
        if not self._layout.discontinuous:
            return np.arange(self._layout.records, dtype=np.int64) * self._per_record
        onsets = record_onsets(self._path, self._layout)
        starts = np.array([round((onset - onsets[0]) * self.rate_hz) for onset in onsets], dtype=np.int64)
        if np.any(np.diff(starts) < self._per_record):
            raise stopping(self._path.name, "Its time goes backwards from one data record to the next.", AGAIN)
        if starts[-1] > LONGEST_S * self.rate_hz:
            raise stopping(self._path.name, "Its data records lie more than a week apart.", AGAIN)
        return starts

    def read(self, start: int, stop: int) -> Floats:
        """Samples start, …, stop - 1."""
        values = np.full(stop - start, np.nan)
        first = max(int(np.searchsorted(self._starts, start, side="right")) - 1, 0)
        last = int(np.searchsorted(self._starts, stop, side="left"))
        while first < last:
            for part in self._calibrated(first, last):
                begins = int(self._starts[first])
                inner, outer = max(start - begins, 0), max(begins - start, 0)
                part = part[inner : stop - begins]
                values[outer : outer + len(part)] = part
                first += 1
        return values

    def _calibrated(self, first: int, stop: int) -> Floats:
        """(records, samples of a record): records from `first` on as edfio calibrates them, alone in a file."""
        raw = self._records.part(self._signal, start=first, stop=stop)
        whole = io.BytesIO(_header_alone(self._layout, self._signal, len(raw)) + raw.tobytes())
        reading = edfio.read_edf if self._layout.sample_bytes == 2 else edfio.read_bdf
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # edfio warns of values outside the declared range; they are kept
            found = reading(whole, header_encoding="latin-1").signals[0].data
        return found.reshape(len(raw), self._per_record)


def _header_alone(layout: EdfLayout, signal: int, records: int) -> bytes:
    """The header of a file that holds one signal only, without annotations."""
    fixed = bytearray(layout.header[:FIXED_BYTES])
    fixed[184:192] = f"{2 * FIXED_BYTES:<8d}".encode()
    fixed[192:236] = (b"24BIT" if layout.sample_bytes == 3 else b"").ljust(44)
    fixed[236:244] = f"{records:<8d}".encode()
    fixed[252:256] = b"1   "
    place = FIXED_BYTES
    for width in _FIELD_WIDTHS:
        fixed += layout.header[place + signal * width : place + (signal + 1) * width]
        place += width * len(layout.labels)
    return bytes(fixed)


def open_edf(path: Path, channel: Channel) -> SampleStream:
    """Opens a signal of an EDF or BDF file, by its label or its number. Raises ProblemError."""
    layout = read_layout(path)
    signal = _find(path, layout, channel)
    check_ranges(path, layout, signal)
    stream = open_signal(Records(path, layout), signal)
    unit = dimension(layout, signal)
    if unit and channel.unit not in ("1", unit):
        what = f'{layout.labels[signal]} is in {unit}, but performance.toml says unit = "{channel.unit}".'
        raise stopping(path.name, what, f'Write unit = "{unit}".')
    return stream


def open_signal(records: Records, signal: int) -> SampleStream:
    """Opens a signal by its place in the layout, counted from 0. Raises ProblemError."""
    try:
        stream = EdfSignal(records, signal)
        stream.read(0, 1)
    except (ValueError, ArithmeticError, IndexError, EOFError, UnicodeError) as error:
        raise stopping(records.path.name, f"Its header cannot be read: {error}.", AGAIN) from error
    return stream


def dimension(layout: EdfLayout, signal: int) -> str:
    """The unit of a signal, with u for micro; empty where it is not calibrated."""
    return _field(layout, signal, 96).replace("µ", "u")


def _field(layout: EdfLayout, signal: int, offset: int) -> str:
    """An eight-byte field of a signal. offset: the bytes of all fields before it, for one signal."""
    start = FIXED_BYTES + len(layout.labels) * offset + signal * 8
    return layout.header[start : start + 8].decode("latin-1").strip()


def check_ranges(path: Path, layout: EdfLayout, signal: int) -> None:
    """Checks that a digital range ascends and that a physical range is not empty; the physical range may descend."""
    for what, offset in (("physical", 104), ("digital", 120)):
        low, high = _field(layout, signal, offset), _field(layout, signal, offset + 8)
        try:
            width = float(high) - float(low)
        except ValueError:
            width = math.nan
        if not math.isfinite(width) or width == 0 or (what == "digital" and width < 0):
            told = f"The {what} range of {layout.labels[signal]} reads {low} to {high}."
            raise stopping(path.name, told, AGAIN)


def _find(path: Path, layout: EdfLayout, channel: Channel) -> int:
    ordinary = [k for k, label in enumerate(layout.labels) if label not in ANNOTATIONS]
    if channel.signal is None and channel.track is not None:
        if channel.track > len(ordinary):
            raise stopping(path.name, f"It has no signal {channel.track}.", f"Write 1 to {len(ordinary)}.")
        return ordinary[channel.track - 1]
    labels = [layout.labels[k] for k in ordinary]
    if channel.signal is None and len(ordinary) == 1:
        return ordinary[0]
    matches = [k for k in ordinary if layout.labels[k] == channel.signal]
    if len(matches) == 1:
        return matches[0]
    if matches:
        raise stopping(
            path.name, f'{len(matches)} of its signals are labelled "{channel.signal}".', "Write track = its number."
        )
    asked = f'no signal "{channel.signal}"' if channel.signal else "more than one signal"
    raise stopping(path.name, f"It has {asked}.", nearest(channel.signal or "", labels))
