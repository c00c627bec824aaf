"""WFDB records with their annotations as sources; needs the extra "wfdb"."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, time
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from residue.archive.ingest.extras import FAULTS, extra, faults_told, without_warnings
from residue.archive.ingest.pieces import PieceSignal, ReadInPieces
from residue.archive.ingest.source import BeatTrack, IngestSource, Track, guess_kind
from residue.archive.ingest.stated import plain_unit
from residue.archive.performance import Mark
from residue.archive.readers.beats import BeatList
from residue.problems import ProblemError, stopping

_BEAT_CODES = frozenset("NLRBAaJSVrFejnE/fQ?")
"""Annotation codes that mean a beat (WFDB Applications Guide, table of annotation codes; from memory)."""
_ANNOTATORS = ("atr", "qrs", "ecg", "ann")
_MOST_SIGNALS = 1024
_PIECE_SAMPLES = 1 << 16
_TOLD = (FAULTS, "It is not a WFDB record that can be read", "Copy the header and every file that it names again.")


def open_wfdb_source(path: Path, *, salvage: bool = False) -> IngestSource:
    """Opens the signals and annotations of the record with its header at `path`, in physical units.

    salvage: take the samples that are there, if the header promises more. Raises ProblemError.
    """
    with without_warnings():
        return _open(extra("wfdb", path), path, salvage=salvage)


def _open(wfdb: Any, path: Path, *, salvage: bool) -> IngestSource:
    name = str(path.with_suffix(""))

    def segment(start: int, stop: int) -> Any:
        """The samples start, …, stop - 1 as a record of the library, whose segments are joined."""
        with faults_told(path, *_TOLD), without_warnings():
            return wfdb.rdrecord(name, sampfrom=start, sampto=stop, physical=True)

    with faults_told(path, *_TOLD):
        header = wfdb.rdheader(name, rd_segments=True)
        if not 1 <= (header.n_sig or 0) <= _MOST_SIGNALS:
            raise stopping(path.name, f"It declares {header.n_sig} signals.", "Export it again.")
        if header.sig_len is None:  # a header may omit it; then the size of the files gives it
            header.sig_len = wfdb.rdrecord(name, physical=True).sig_len
    if not header.sig_len or not header.fs or header.fs <= 0:
        raise stopping(path.name, "It holds no samples.", "Leave it out, or find the right record.")
    promised, signals = int(header.sig_len), int(header.n_sig)
    length = _survive(segment, promised) if salvage else promised
    record = segment(length - 1, length)  # the end is read, so that a file that was cut short is reported now
    recording = ReadInPieces(
        lambda start, stop: np.asarray(segment(start, stop).p_signal),
        length=length,
        rate_hz=Fraction(header.fs).limit_denominator(10**6),
        signals=signals,
        piece_samples=_PIECE_SAMPLES,
    )
    tracks = (
        Track(label, PieceSignal(recording, number), unit=_unit(unit), kind=guess_kind(label))
        for number, (label, unit) in enumerate(zip(_labels(record.sig_name), record.units, strict=True))
    )
    beats, marks = _annotations(wfdb, name, float(header.fs))
    private = tuple(f"remark ({remark[:40]})" for remark in header.comments or ())
    lost = f"cut short: {length} samples survive, of {promised} that its header promises" if length < promised else ""
    return IngestSource(path, tuple(tracks), beats, _began(header), marks, private, lost=lost)


def _survive(segment: Callable[[int, int], Any], promised: int) -> int:
    """How many samples can be read, by halving. Raises ProblemError where the first cannot."""
    segment(0, 1)
    there, missing = 1, promised + 1
    while missing - there > 1:
        middle = (there + missing) // 2
        try:
            segment(middle - 1, middle)
            there = middle
        except ProblemError:
            missing = middle
    return there


def _labels(names: list[str | None]) -> list[str]:
    """A label for each signal: its own if no other signal has the same."""
    return [
        name if name and names.count(name) == 1 else f"{name or 'signal'} ({number})"
        for number, name in enumerate(names, 1)
    ]


def _unit(unit: str | None) -> str:
    return "1" if unit in (None, "", "NU") else plain_unit(str(unit))


def _began(record: Any) -> datetime | None:
    if record.base_date is None:
        return None
    return datetime.combine(record.base_date, record.base_time or time())


def _annotations(wfdb: Any, name: str, rate_hz: float) -> tuple[tuple[BeatTrack, ...], tuple[Mark, ...]]:
    """Beats of every annotator as lists of beats, everything else as marks."""
    beats, marks = [], []
    for annotator in _ANNOTATORS:
        if not Path(f"{name}.{annotator}").is_file():
            continue
        found = wfdb.rdann(name, annotator)
        codes = np.array(found.symbol)
        is_beat = np.isin(codes, sorted(_BEAT_CODES))
        times_s = np.asarray(found.sample)[is_beat] / rate_hz
        if len(times_s) > 1 and np.all(np.diff(times_s) > 0):
            intervals = np.diff(times_s, prepend=times_s[0])
            beats.append(BeatTrack(f"beats {annotator}", BeatList(times_s - times_s[0], intervals), float(times_s[0])))
        marks += [
            Mark(at_s=float(sample) / rate_hz, text=(note or code).strip("\x00 ") or code)
            for sample, code, note, beat in zip(found.sample, found.symbol, found.aux_note, is_beat, strict=True)
            if not beat
        ]
    return tuple(beats), tuple(marks)
