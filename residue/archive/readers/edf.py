"""EDF, EDF+, BDF and BDF+ files: calibrated by edfio, a few data records at a time, so that memory stays flat."""

from __future__ import annotations

import io
import math
import warnings
from pathlib import Path

import edfio
import numpy as np
from numpy.typing import NDArray

from residue.archive.performance import LONGEST_S, Channel
from residue.archive.readers.edf_annotations import record_onsets
from residue.archive.readers.edf_layout import AGAIN, ANNOTATIONS, FIXED_BYTES, Layout, read_layout
from residue.dsp.resampling import Samples, Stream
from residue.problems import nearest, stopping

_BLOCK_SAMPLES = 1 << 16


class EdfSignal:
    """One signal of an EDF or BDF file in physical values; NaN between the parts of a discontinuous one."""

    def __init__(self, path: Path, layout: Layout, signal: int) -> None:
        self._path, self._layout, self._signal = path, layout, signal
        self._ordinary = sum(label not in ANNOTATIONS for label in layout.labels[:signal])
        self._per_record = layout.samples[signal]
        self.rate_hz = self._per_record / layout.record_s
        self._starts = self._record_starts()
        self.length = int(self._starts[-1]) + self._per_record
        self._first, self._block = 0, np.empty((0, self._per_record))

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

    def read(self, start: int, stop: int) -> Samples:
        """Samples start, …, stop - 1."""
        values = np.full(stop - start, np.nan)
        first = max(int(np.searchsorted(self._starts, start, side="right")) - 1, 0)
        last = int(np.searchsorted(self._starts, stop, side="left"))
        for record in range(first, last):
            begins = int(self._starts[record])
            inner, outer = max(start - begins, 0), max(begins - start, 0)
            part = self._record(record)[inner : stop - begins]
            values[outer : outer + len(part)] = part
        return values

    def _record(self, record: int) -> Samples:
        if not self._first <= record < self._first + len(self._block):
            count = max(1, _BLOCK_SAMPLES // max(self._per_record, 1))
            self._first, self._block = record, self._records(record, min(record + count, self._layout.records))
        row: Samples = self._block[record - self._first]
        return row

    def _records(self, first: int, stop: int) -> Samples:
        """(records, samples of a record): the records first, …, stop - 1, calibrated by edfio."""
        layout = self._layout
        count = f"{stop - first:<8d}".encode()
        with self._path.open("rb") as file:
            file.seek(layout.header_bytes + first * layout.record_bytes)
            body = file.read((stop - first) * layout.record_bytes)
        whole = io.BytesIO(layout.header[:236] + count + layout.header[244:] + body)
        reading = edfio.read_edf if layout.sample_bytes == 2 else edfio.read_bdf
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # edfio warns of values out of the declared range; they are kept
            part = reading(whole, header_encoding="latin-1")
            return part.signals[self._ordinary].data.reshape(stop - first, self._per_record)


def open_edf(path: Path, channel: Channel) -> Stream:
    """A signal of an EDF or BDF file, by its label or its number. Raises ProblemError."""
    layout = read_layout(path)
    signal = _find(path, layout, channel)
    check_ranges(path, layout, signal)
    stream = open_signal(path, layout, signal)
    unit = dimension(layout, signal)
    if unit and channel.unit not in ("1", unit):
        what = f'{layout.labels[signal]} is in {unit}, but performance.toml says unit = "{channel.unit}".'
        raise stopping(path.name, what, f'Write unit = "{unit}".')
    return stream


def open_signal(path: Path, layout: Layout, signal: int) -> Stream:
    """A signal by its place in the layout, counted from 0. Raises ProblemError."""
    try:
        stream = EdfSignal(path, layout, signal)
        stream.read(0, 1)
    except (ValueError, ArithmeticError, IndexError, EOFError, UnicodeError) as error:
        raise stopping(path.name, f"Its header cannot be followed: {error}.", AGAIN) from error
    return stream


def dimension(layout: Layout, signal: int) -> str:
    """The unit of a signal, with u for micro; empty where it is not calibrated."""
    return _field(layout, signal, 96).replace("µ", "u")


def _field(layout: Layout, signal: int, offset: int) -> str:
    """An eight-byte field of a signal; offset: of the field for all signals, in bytes a signal."""
    start = FIXED_BYTES + len(layout.labels) * offset + signal * 8
    return layout.header[start : start + 8].decode("latin-1").strip()


def check_ranges(path: Path, layout: Layout, signal: int) -> None:
    """A calibration needs a digital range that rises and a physical one that is not a point; it may fall."""
    for what, offset in (("physical", 104), ("digital", 120)):
        low, high = _field(layout, signal, offset), _field(layout, signal, offset + 8)
        try:
            width = float(high) - float(low)
        except ValueError:
            width = math.nan
        if not math.isfinite(width) or width == 0 or (what == "digital" and width < 0):
            told = f"The {what} range of {layout.labels[signal]} reads {low} to {high}."
            raise stopping(path.name, told, AGAIN)


def _find(path: Path, layout: Layout, channel: Channel) -> int:
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
