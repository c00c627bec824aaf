"""EDF, EDF+, BDF and BDF+ files as sources."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from residue.archive.ingest.source import IngestSource, Track, guess_kind
from residue.archive.performance import Mark
from residue.archive.readers.edf import Records, check_ranges, dimension, open_signal
from residue.archive.readers.edf_annotations import notes
from residue.archive.readers.edf_layout import ANNOTATIONS, read_layout

_BLOCK_BYTES = 1 << 20
_PATIENT, _RECORDING, _START = slice(8, 88), slice(88, 168), slice(168, 184)
_ANONYMOUS_PATIENT = b"X X X X"
"""EDF+ specification, 2.1.3.3: a subfield that is unknown, or shall not be known, is an X."""
_NO_STARTDATE = b"Startdate X "
_STARTDATE = re.compile(rb"Startdate \S+")


def open_edf_source(path: Path) -> IngestSource:
    """Every signal of an EDF or BDF file, with its annotations as marks. Raises ProblemError."""
    layout = read_layout(path)
    records = Records(path, layout)
    tracks = []
    for number, label in enumerate(layout.labels):
        if label not in ANNOTATIONS:
            check_ranges(path, layout, number)
            unit = dimension(layout, number) or "1"
            alone = layout.labels.count(label) == 1
            named = label if alone else f"{label} ({layout.labels[: number + 1].count(label)})"
            signal = label if alone else None
            tracks.append(Track(named, open_signal(records, number), unit, guess_kind(label), signal))
    header = layout.header
    private = [
        f"{what} ({text})"
        for what, text, anonymous in (
            ("patient field", _text(header[_PATIENT]), "X X X X"),
            ("recording field", _text(_STARTDATE.sub(b"", header[_RECORDING])), "X X X"),
        )
        if text.strip(" X") and text != anonymous
    ]
    return IngestSource(
        path,
        tuple(tracks),
        began=_began(header),
        marks=tuple(Mark(at_s=float(at_s), text=text) for at_s, text in notes(path, layout)),
        private=tuple(private),
        strip=_strip(path),
        suffix=path.suffix.lower(),
    )


def _text(field: bytes) -> str:
    return field.decode("latin-1").strip()


def _began(header: bytes) -> datetime | None:
    """Start date and time; years 85 to 99 are of the last century (EDF specification); None where it is not known."""
    if header[_RECORDING].startswith(_NO_STARTDATE):
        return None
    digits = re.fullmatch(rb"(\d\d)\.(\d\d)\.(\d\d)(\d\d)\.(\d\d)\.(\d\d)", header[_START])
    if not digits:
        return None
    day, month, year, hour, minute, second = map(int, digits.groups())
    try:
        # The format knows no offset.
        return datetime(year + (1900 if year >= 85 else 2000), month, day, hour, minute, second)  # noqa: DTZ001
    except ValueError:
        return None


def _strip(path: Path) -> Callable[[Path], None]:
    def strip(target: Path) -> None:
        """The same file with nobody's name in its header."""
        with path.open("rb") as source, target.open("wb") as kept:
            header = bytearray(source.read(256))
            startdate = _STARTDATE.match(bytes(header[_RECORDING]))
            header[_PATIENT] = _ANONYMOUS_PATIENT.ljust(80)
            header[_RECORDING] = ((startdate[0] if startdate else b"Startdate X") + b" X X X").ljust(80)
            kept.write(header)
            while block := source.read(_BLOCK_BYTES):
                kept.write(block)

    return strip
