"""WFDB records with their annotations as sources; needs the extra "wfdb"."""

from __future__ import annotations

from datetime import datetime, time
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from residue.archive.ingest.extras import extra, without_warnings
from residue.archive.ingest.held import HeldStream
from residue.archive.ingest.source import BeatTrack, Source, Track, guess_kind
from residue.archive.performance import Mark
from residue.archive.readers.beats import Beats
from residue.problems import stopping

_BEAT_CODES = frozenset("NLRBAaJSVrFejnE/fQ?")
"""Annotation codes that stand for a beat (WFDB Applications Guide, table of annotation codes; from memory)."""
_ANNOTATORS = ("atr", "qrs", "ecg", "ann")
_MOST_SIGNALS = 1024


def open_wfdb_source(path: Path) -> Source:
    """The signals and annotations of the record whose header is at `path`, in physical units. Raises ProblemError."""
    with without_warnings():
        return _open(extra("wfdb", path), path)


def _open(wfdb: Any, path: Path) -> Source:
    name = str(path.with_suffix(""))
    try:
        header = wfdb.rdheader(name)
        if not 1 <= (header.n_sig or 0) <= _MOST_SIGNALS:
            raise stopping(path.name, f"It declares {header.n_sig} signals.", "Export it again.")
        record = wfdb.rdrecord(name, physical=True)
    except (ValueError, OSError, IndexError, KeyError, TypeError, AttributeError, OverflowError, MemoryError) as error:
        what = f"It is not a WFDB record that can be read: {str(error) or type(error).__name__}."
        raise stopping(path.name, what, "Copy the header and every file that it names again.") from error
    if record.p_signal is None or len(record.p_signal) == 0 or not record.fs or record.fs <= 0:
        raise stopping(path.name, "It holds no samples.", "Leave it out, or find the right record.")
    rate_hz = Fraction(record.fs).limit_denominator(10**6)
    tracks = (
        Track(label, HeldStream(np.ascontiguousarray(values), rate_hz), _unit(unit), guess_kind(label))
        for label, unit, values in zip(_labels(record.sig_name), record.units, record.p_signal.T, strict=True)
    )
    beats, marks = _annotations(wfdb, name, float(record.fs))
    private = tuple(f"remark ({remark[:40]})" for remark in record.comments or ())
    return Source(path, tuple(tracks), beats, _began(record), marks, private)


def _labels(names: list[str | None]) -> list[str]:
    """A label for each signal, its own where it has one that no other has."""
    return [
        name if name and names.count(name) == 1 else f"{name or 'signal'} ({number})"
        for number, name in enumerate(names, 1)
    ]


def _unit(unit: str | None) -> str:
    return "1" if unit in (None, "", "NU") else str(unit).replace("µ", "u")


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
            beats.append(BeatTrack(f"beats {annotator}", Beats(times_s - times_s[0], intervals), float(times_s[0])))
        marks += [
            Mark(at_s=float(sample) / rate_hz, text=(note or code).strip("\x00 ") or code)
            for sample, code, note, beat in zip(found.sample, found.symbol, found.aux_note, is_beat, strict=True)
            if not beat
        ]
    return tuple(beats), tuple(marks)
