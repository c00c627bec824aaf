"""BrainVision files as sources; needs the extra "eeg"."""

from __future__ import annotations

import configparser
import re
from pathlib import Path
from typing import Any

import numpy as np

from residue.archive.ingest.extras import FAULTS, extra, faults_told, without_warnings
from residue.archive.ingest.pieces import PieceSignal, ReadInPieces
from residue.archive.ingest.source import IngestSource, Track, guess_kind
from residue.archive.ingest.stated import exact_rate_hz, plain_unit
from residue.archive.performance import LONGEST_S, Mark
from residue.dsp.resampling import Floats
from residue.problems import stopping
from residue.small_files import read_small

_MOST_SIGNALS = 1024
_BLOCK_NUMBERS = 1 << 21
_MOST_HEADER_BYTES = 4_000_000
_PER_UNIT = {"nV": 1e9, "uV": 1e6, "mV": 1e3, "uS": 1e6}
"""The library gives volts and siemens; the file's own units are kept."""
_FILES = re.compile(rb"^\s*(?:DataFile|MarkerFile)\s*=\s*(.*?)\s*$", re.MULTILINE | re.IGNORECASE)
_POINTS = re.compile(rb"^\s*DataPoints\s*=\s*(\d{1,15})\s*$", re.MULTILINE | re.IGNORECASE)
"""BrainVision Core Data Format 1.0: DataPoints, in samples for each channel; optional."""
_FAULTS = (*FAULTS, RuntimeError, AssertionError, ArithmeticError, configparser.Error)
_AGAIN = "Copy it again from the recorder, with every file that belongs to it."
_TOLD = (_FAULTS, "It cannot be read", _AGAIN)


def open_eeg_source(path: Path, *, salvage: bool = False) -> IngestSource:
    """Opens every signal of a recording, in the units of the file, with its annotations as marks.

    salvage: take the samples that are there, if the header promises more. Raises ProblemError.
    """
    mne = extra("eeg", path)
    header = _check_header(path)
    with faults_told(path, *_TOLD), without_warnings():
        raw = mne.io.read_raw_brainvision(path, preload=False, verbose="CRITICAL")
        recording = _recording(path, raw)
    promised = int(found[1]) if (found := _POINTS.search(header)) else recording.length
    lost = ""
    if promised > recording.length:
        of = f"of {promised} that its header promises"
        if not salvage:
            raise stopping(path.name, f"It is cut short: {recording.length} samples are there, {of}.", _AGAIN)
        lost = f"cut short: {recording.length} samples survive, {of}"
    units = [_unit(raw, number) for number in range(len(raw.ch_names))]
    tracks = tuple(
        Track(label, PieceSignal(recording, number, _PER_UNIT.get(unit, 1.0)), unit=unit, kind=guess_kind(label))
        for number, (label, unit) in enumerate(zip(raw.ch_names, units, strict=True))
    )
    began = raw.info["meas_date"]
    return IngestSource(
        path,
        tracks,
        began=began.replace(tzinfo=None) if began else None,  # the format knows the clock of the place alone
        marks=_marks(raw),
        lost=lost,
    )


def _check_header(path: Path) -> bytes:
    """The header of a BrainVision recording, which may name files beside it only. Raises ProblemError."""
    header = read_small(path, _MOST_HEADER_BYTES)
    for name in _FILES.findall(header):
        if b"/" in name or b"\\" in name:
            shown = name.decode("utf-8", "replace")[:60]
            raise stopping(path.name, f'It names a file in another folder: "{shown}".', "Name a file beside it.")
    return header


def _recording(path: Path, raw: Any) -> ReadInPieces:
    """The samples of all signals, in SI units. Raises ProblemError."""
    signals, length, rate_hz = len(raw.ch_names), int(raw.n_times), exact_rate_hz(float(raw.info["sfreq"]))
    if not 1 <= signals <= _MOST_SIGNALS:
        raise stopping(path.name, f"It declares {signals} signals.", "Export it again.")
    if length < 1 or rate_hz <= 0 or length > LONGEST_S * rate_hz:
        raise stopping(path.name, "It holds no samples, or more than a week of them.", _AGAIN)

    def load(start: int, stop: int) -> Floats:
        with faults_told(path, *_TOLD), without_warnings():
            return np.asarray(raw.get_data(start=start, stop=stop, verbose="CRITICAL")).T

    piece_samples = max(1, _BLOCK_NUMBERS // signals)
    return ReadInPieces(load, length=length, rate_hz=rate_hz, signals=signals, piece_samples=piece_samples)


def _unit(raw: Any, number: int) -> str:
    """The unit of a signal in the file, with u for micro; 1 where it is not known."""
    named = plain_unit(str(raw._orig_units.get(raw.ch_names[number], "")))
    return named if named not in ("", "n/a", "ARU") else "1"


def _marks(raw: Any) -> tuple[Mark, ...]:
    notes = raw.annotations
    return tuple(
        Mark(at_s=round(float(at_s), 6), text=str(text))
        for at_s, text in zip(notes.onset, notes.description, strict=True)
        if abs(at_s) <= LONGEST_S and not str(text).startswith("New Segment")
    )
