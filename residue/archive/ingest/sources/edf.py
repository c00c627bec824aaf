"""EDF, EDF+, BDF and BDF+ files as sources."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator
from datetime import datetime
from pathlib import Path

from residue.archive.ingest.source import IngestSource, Track, guess_kind, own_labels
from residue.archive.performance import Mark
from residue.archive.readers.edf import Records, check_ranges, dimension, open_signal
from residue.archive.readers.edf_annotations import annotation_places, notes, without_notes
from residue.archive.readers.edf_layout import ANNOTATIONS, FIXED_BYTES, EdfLayout, read_layout

_BLOCK_BYTES = 1 << 20
_PATIENT, _RECORDING, _START = slice(8, 88), slice(88, 168), slice(168, 184)
_ANONYMOUS_PATIENT = b"X X X X"
"""EDF+ specification, 2.1.3.3: a subfield that is unknown or private is an X."""
_NO_STARTDATE = b"Startdate X "
_STARTDATE = re.compile(rb"Startdate \S+")
_RESERVED = slice(192, 236)
_FORMATS = (b"EDF+C", b"EDF+D", b"BDF+C", b"BDF+D", b"24BIT")
"""The reserved field of a file may begin with one of these."""
_SIGNAL_TEXTS = (("transducer text", 16, 80), ("prefilter text", 136, 80), ("reserved text", 224, 32))
"""Free text about each signal: its place in the header, in bytes for each signal, and its width (EDF specification)."""
_FILTERS = re.compile(r"(?:(?:HP|LP|N|BP):? ?(?:DC|[\d.,]+ ?k?Hz)[ ;,]*)*")
"""Filters as the EDF+ specification writes them (2.1.3, "HP:0.1Hz LP:75Hz N:50Hz"): these contain nothing private, and
stay.
"""


def open_edf_source(path: Path, *, salvage: bool = False) -> IngestSource:
    """Opens every signal of an EDF or BDF file, with its annotations as marks. Raises ProblemError.

    salvage: take the data records that are there, whatever the header says.
    """
    layout = read_layout(path, salvage=salvage)
    records = Records(path, layout)
    tracks = []
    for number, (label, named) in enumerate(zip(layout.labels, own_labels(layout.labels), strict=True)):
        if label not in ANNOTATIONS:
            check_ranges(path, layout, number)
            unit = dimension(layout, number) or "1"
            signal = label if named == label else None
            tracks.append(Track(named, open_signal(records, number), unit=unit, kind=guess_kind(label), signal=signal))
    header = layout.header
    texts: dict[str, list[str]] = {}
    for what, text, _ in _free_texts(layout):
        texts.setdefault(what, []).append(text)
    private = [
        f"{what} ({text})"
        for what, text, anonymous in (
            ("patient field", _text(header[_PATIENT]), "X X X X"),
            ("recording field", _text(_STARTDATE.sub(b"", header[_RECORDING])), "X X X"),
        )
        if text.strip(" X") and text != anonymous
    ] + [f"{what} ({', '.join(dict.fromkeys(found))})" for what, found in texts.items()]
    return IngestSource(
        path,
        tuple(tracks),
        began=_began(header),
        marks=tuple(Mark(at_s=float(at_s), text=text) for at_s, text in notes(path, layout)),
        private=tuple(private),
        strip=_strip(path, layout),
        suffix=path.suffix.lower(),
        lost=layout.lost,
    )


def _text(field: bytes) -> str:
    return field.decode("latin-1").strip()


def _began(header: bytes) -> datetime | None:
    """Start date and time; years 85 to 99 mean 1985 to 1999 (EDF specification); None where it is not known."""
    if header[_RECORDING].startswith(_NO_STARTDATE):
        return None
    digits = re.fullmatch(rb"(\d\d)\.(\d\d)\.(\d\d)(\d\d)\.(\d\d)\.(\d\d)", header[_START])
    if not digits:
        return None
    day, month, year, hour, minute, second = map(int, digits.groups())
    try:
        # The format has no UTC offset.
        return datetime(year + (1900 if year >= 85 else 2000), month, day, hour, minute, second)  # noqa: DTZ001
    except ValueError:
        return None


def _free_texts(layout: EdfLayout) -> Iterator[tuple[str, str, slice]]:
    """Free text in the header that may name a person or a device: its meaning, the text, and its place."""
    reserved = layout.header[_RESERVED]
    begins = _RESERVED.start + (5 if reserved.startswith(_FORMATS) else 0)
    fields = [("reserved text", slice(begins, _RESERVED.stop))]
    signals = len(layout.labels)
    for what, offset, width in _SIGNAL_TEXTS:
        first = FIXED_BYTES + signals * offset
        fields += [(what, slice(first + k * width, first + (k + 1) * width)) for k in range(signals)]
    for what, place in fields:
        text = _text(layout.header[place])
        if text.strip("\x00 ") and not (what == "prefilter text" and _FILTERS.fullmatch(text)):
            yield what, text, place


def _strip(path: Path, layout: EdfLayout) -> Callable[[Path, Collection[str] | None], None]:
    def strip(target: Path, kept: Collection[str] | None) -> None:
        """Writes the same samples without names in the header, and with only those notes that may stay."""
        with path.open("rb") as source, target.open("wb") as writing:
            writing.write(layout.header if kept is None else _anonymous(layout))
            source.seek(layout.header_bytes)
            at_once = max(1, _BLOCK_BYTES // layout.record_bytes)
            for first in range(0, layout.records, at_once):
                count = min(at_once, layout.records - first)
                block = bytearray(source.read(count * layout.record_bytes))
                if kept is not None:
                    _clear_notes(block, layout, kept)
                writing.write(block)

    return strip


def _anonymous(layout: EdfLayout) -> bytes:
    """The header without names of people and devices."""
    header = bytearray(layout.header)
    startdate = _STARTDATE.match(bytes(header[_RECORDING]))
    header[_PATIENT] = _ANONYMOUS_PATIENT.ljust(80)
    header[_RECORDING] = ((startdate[0] if startdate else b"Startdate X") + b" X X X").ljust(80)
    for _, _, place in _free_texts(layout):
        header[place] = b" " * (place.stop - place.start)
    return bytes(header)


def _clear_notes(block: bytearray, layout: EdfLayout, kept: Collection[str]) -> None:
    """Removes the notes that may not stay from whole data records, in place."""
    places = annotation_places(layout)
    for record in range(0, len(block), layout.record_bytes):
        for number, (before, width) in enumerate(places):
            place = slice(record + before, record + before + width)
            block[place] = without_notes(bytes(block[place]), kept, keeps_time=number == 0)
