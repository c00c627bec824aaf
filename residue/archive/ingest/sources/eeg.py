"""BrainVision and GDF files as sources; needs the extra "eeg"."""

from __future__ import annotations

import configparser
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from residue.archive.ingest.extras import extra, without_warnings
from residue.archive.ingest.source import IngestSource, Track, guess_kind
from residue.archive.ingest.stated import exact_rate_hz
from residue.archive.performance import LONGEST_S, Mark
from residue.dsp.resampling import Floats
from residue.problems import ProblemError, stopping
from residue.small_files import read_small

_MOST_SIGNALS = 1024
_BLOCK_NUMBERS = 1 << 21
_MOST_HEADER_BYTES = 4_000_000
_PER_UNIT = {"nV": 1e9, "uV": 1e6, "mV": 1e3, "uS": 1e6}
"""The library gives volts and siemens; the file's own units are kept."""
_FILES = re.compile(rb"^\s*(?:DataFile|MarkerFile)\s*=\s*(.*?)\s*$", re.MULTILINE | re.IGNORECASE)
_POINTS = re.compile(rb"^\s*DataPoints\s*=\s*(\d{1,15})\s*$", re.MULTILINE | re.IGNORECASE)
"""BrainVision Core Data Format 1.0: DataPoints, in samples for each channel; optional."""
_FAULTS = (
    *(ValueError, TypeError, LookupError, OSError, EOFError, MemoryError, AttributeError, OverflowError),
    *(RuntimeError, AssertionError, ArithmeticError, configparser.Error),
)
_AGAIN = "Copy it again from the recorder, with every file that belongs to it."


def open_eeg_source(path: Path, *, salvage: bool = False) -> IngestSource:
    """Opens every signal of a recording, in the units of the file, with its annotations as marks.

    salvage: take the samples that are there, if the header promises more. Raises ProblemError.
    """
    mne = extra("eeg", path)
    header = _check_header(path) if path.suffix.lower() == ".vhdr" else b""
    with _told(path), without_warnings():
        reading = mne.io.read_raw_brainvision if header else mne.io.read_raw_gdf
        raw = reading(path, preload=False, verbose="CRITICAL")
        recording = _Recording(path, raw)
    promised = int(found[1]) if (found := _POINTS.search(header)) else recording.length
    lost = ""
    if promised > recording.length:
        lost = f"cut short: {recording.length} samples survive, of {promised} that its header promises"
        if not salvage:
            raise stopping(path.name, f"It is {lost.replace('survive', 'are there')}.", _AGAIN)
    units = [_unit(raw, number) for number in range(len(raw.ch_names))]
    tracks = tuple(
        Track(label, _Signal(recording, number, _PER_UNIT.get(unit, 1.0)), unit=unit, kind=guess_kind(label))
        for number, (label, unit) in enumerate(zip(raw.ch_names, units, strict=True))
    )
    began = raw.info["meas_date"]
    return IngestSource(
        path,
        tracks,
        began=began.replace(tzinfo=None) if began else None,  # the formats know the clock of the place alone
        marks=_marks(raw),
        private=_private(raw),
        lost=lost,
    )


def _check_header(path: Path) -> bytes:
    """The header of a BrainVision recording, which may name files beside it only. Raises ProblemError."""
    header = read_small(path, _MOST_HEADER_BYTES)
    for name in _FILES.findall(header):
        if b"/" in name or b"\\" in name:
            shown = name.decode("utf-8", "replace")[:60]
            raise stopping(path.name, f'It names a file in another folder: "{shown}".', "Name a file beside it.")
    return header or b" "


class _Recording:
    """The samples of all signals, read by the library piece by piece; keeps the last piece."""

    def __init__(self, path: Path, raw: Any) -> None:
        self._path, self._raw = path, raw
        self.length = int(raw.n_times)
        self.rate_hz = exact_rate_hz(float(raw.info["sfreq"]))
        signals = len(raw.ch_names)
        if not 1 <= signals <= _MOST_SIGNALS:
            raise stopping(path.name, f"It declares {signals} signals.", "Export it again.")
        if self.length < 1 or self.rate_hz <= 0 or self.length > LONGEST_S * self.rate_hz:
            raise stopping(path.name, "It holds no samples, or more than a week of them.", _AGAIN)
        rates = raw._raw_extras[0].get("n_samps")
        if rates is not None and len(np.unique(rates)) > 1:
            what = "Its signals have different rates, and the reader would make the slow ones fast."
            raise stopping(path.name, what, "Have it exported as EDF.")
        self._many = max(1, _BLOCK_NUMBERS // signals)
        self._start, self._held = 0, np.empty((signals, 0))

    def read(self, signal: int, *, start: int, stop: int) -> Floats:
        """Samples start, …, stop - 1 of one signal, in SI units. Raises ProblemError."""
        parts = [np.empty(0)]
        while start < stop:
            if not self._start <= start < self._start + self._held.shape[1]:
                self._start = start // self._many * self._many
                with _told(self._path), without_warnings():
                    ends = min(self._start + self._many, self.length)
                    self._held = self._raw.get_data(start=self._start, stop=ends, verbose="CRITICAL")
            part = self._held[signal, start - self._start : stop - self._start]
            parts.append(part)
            start += len(part)
        return np.concatenate(parts)


@dataclass(frozen=True)
class _Signal:
    """One signal as a stream, in the unit of the file."""

    recording: _Recording
    number: int
    per_unit: float

    @property
    def rate_hz(self) -> Fraction:
        """The sampling rate, in Hz."""
        return self.recording.rate_hz

    @property
    def length(self) -> int:
        """The length in samples."""
        return self.recording.length

    def read(self, start: int, stop: int) -> Floats:
        """Samples start, …, stop - 1."""
        return self.recording.read(self.number, start=start, stop=stop) * self.per_unit


def _unit(raw: Any, number: int) -> str:
    """The unit of a signal in the file, with u for micro; 1 where it is not known."""
    factors = raw._raw_extras[0].get("units")
    if factors is not None:  # of GDF the library keeps no names of units
        return {1e-6: "uV", 1e-3: "mV"}.get(float(factors[number]), "1")
    named = str(raw._orig_units.get(raw.ch_names[number], "")).replace("µ", "u").replace("μ", "u")
    return named if named not in ("", "n/a", "ARU") else "1"


def _marks(raw: Any) -> tuple[Mark, ...]:
    notes = raw.annotations
    return tuple(
        Mark(at_s=round(float(at_s), 6), text=str(text))
        for at_s, text in zip(notes.onset, notes.description, strict=True)
        if abs(at_s) <= LONGEST_S and not str(text).startswith("New Segment")
    )


def _private(raw: Any) -> tuple[str, ...]:
    told = raw.info["subject_info"] or {}
    return tuple(f"patient field ({value})" for value in told.values() if isinstance(value, str) and value.strip(" X"))


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Turns any exception of the library on a faulty file into a ProblemError."""
    try:
        yield
    except ProblemError:
        raise
    except _FAULTS as error:
        reason = (str(error).splitlines() or [""])[0][:120].rstrip(".") or type(error).__name__
        raise stopping(path.name, f"It cannot be read: {reason}.", _AGAIN) from error
