"""GDF files as sources: the general data format for biosignals, versions 1 and 2, each signal at its own rate.

Source: A. Schlögl, "GDF - A general data format for biosignals", version 2.20 (arXiv:cs/0608052). What later versions
changed, and what stands in files of version 1, is from files that libbiosig 2.5.0 wrote. Numbers are little-endian. A
fixed header of 256 bytes is followed by 256 bytes for each signal, ordered by field; then come free texts, the data
records, and the events.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from residue.archive.ingest.source import IngestSource, Track, guess_kind, own_labels
from residue.archive.ingest.stated import plain_unit
from residue.archive.performance import LONGEST_S, Mark
from residue.archive.readers.data_records import DataRecords
from residue.dsp.resampling import Floats
from residue.problems import stopping

_FIXED_BYTES = 256
"""Of the fixed header, and of what stands there for each signal."""
_MOST_SIGNALS = 1024
_MOST_EVENTS = 1_000_000
_MOST_RECORDS_PER_S = 1_000_000
_BLOCK_BYTES = 1 << 22
_TYPES = {1: "i1", 2: "u1", 3: "<i2", 4: "<u2", 5: "<i4", 6: "<u4", 7: "<i8", 8: "<u8", 16: "<f4", 17: "<f8"}
_UNITS = {4256: "V", 4274: "mV", 4275: "uV"}
"""Codes of ISO/IEEE 11073-10101; the others are written as 1."""
_FREE_TEXTS = 1
"""The tag of a list of texts, in which the code of an event may be the place."""
_TIME_STAMPS = 4
"""Added to the mode of a table of events that has times by the clock at its end."""
_AGAIN = "Copy it again from the recorder."


@dataclass(frozen=True, kw_only=True)
class _Signal:
    """One signal, as the header has it."""

    label: str
    unit: str
    scale: float
    offset: float
    samples: int
    """In each data record."""
    type: np.dtype[np.generic]
    begins: int
    """The place of its samples in a data record, in bytes."""


@dataclass(frozen=True, kw_only=True)
class _Header:
    version: float
    bytes: int
    records: int
    record_s: Fraction
    began: datetime | None
    private: tuple[str, ...]
    signals: Sequence[_Signal]
    texts: Sequence[str]
    """What codes of events stand for, by number."""

    @property
    def record_bytes(self) -> int:
        return sum(signal.samples * signal.type.itemsize for signal in self.signals)


def open_gdf_source(path: Path, *, salvage: bool = False) -> IngestSource:
    """Opens every signal at its own rate and in the unit of the file, with its events as marks.

    salvage: take the data records that are there, whatever the header says. Raises ProblemError.
    """
    try:
        header = _header(path)
    except (ValueError, struct.error, OverflowError, IndexError, KeyError) as error:
        raise stopping(path.name, "It does not begin as a GDF file does.", _AGAIN) from error
    held, lost = _held(path, header, salvage=salvage)
    records = DataRecords(
        path,
        begins=header.bytes,
        record_bytes=header.record_bytes,
        count=held,
        at_once=_BLOCK_BYTES // header.record_bytes,
    )
    marks, whole = _marks(path, header, held)
    if not whole and not salvage:
        raise stopping(path.name, "It is cut short: its table of events is not complete.", _AGAIN)
    tracks = [
        Track(label, stream, unit=signal.unit, kind=guess_kind(signal.label))
        for label, signal in zip(own_labels([one.label for one in header.signals]), header.signals, strict=True)
        if (stream := _Samples(records, signal, signal.samples / header.record_s)).length
    ]
    if not tracks:
        raise stopping(path.name, "It holds no samples.", "Leave it out, or find the right file.")
    lost = lost or ("" if whole else "cut short: its table of events is not complete")
    return IngestSource(path, tuple(tracks), began=header.began, marks=marks, private=header.private, lost=lost)


def _header(path: Path) -> _Header:
    """Raises ProblemError; ValueError and struct.error where it is none."""
    with path.open("rb") as file:
        head = file.read(_FIXED_BYTES)
        if not head.startswith(b"GDF "):
            raise ValueError("no GDF")
        version = float(head[4:8].decode("ascii"))
        old = version < 1.9
        (count,) = struct.unpack_from("<I" if old else "<H", head, 252)
        if not 1 <= count <= _MOST_SIGNALS:
            raise stopping(path.name, f"It declares {count} signals.", "Export it again.")
        named = file.read(_FIXED_BYTES * count)
        begins = struct.unpack_from("<q", head, 184)[0] if old else 256 * struct.unpack_from("<H", head, 184)[0]
        more = b"" if old else file.read(max(0, begins - _FIXED_BYTES * (count + 1)))
    if len(named) < _FIXED_BYTES * count:
        what = f"It cannot be read: it ends before the {count} signals that it declares."
        raise stopping(path.name, what, _AGAIN)
    (records,) = struct.unpack_from("<q", head, 236)
    if begins < _FIXED_BYTES * (count + 1):
        raise ValueError("a header that is too short")
    return _Header(
        version=version,
        bytes=begins,
        records=records,
        record_s=_record_s(head, version),
        began=_began(head, old=old),
        private=_private(head, old=old),
        signals=_signals(path, named, count, old=old),
        texts=() if old else _free_texts(more),
    )


def _record_s(head: bytes, version: float) -> Fraction:
    """How long a data record is: two whole numbers until version 2.20, then one that is not."""
    if version < 2.205:
        numerator, denominator = struct.unpack_from("<II", head, 244)
        return Fraction(numerator or 1, denominator or 1)
    (length_s,) = struct.unpack_from("<d", head, 244)
    if not 0.0 < length_s < LONGEST_S:
        raise ValueError("no length of a data record")
    return Fraction(length_s).limit_denominator(_MOST_RECORDS_PER_S)


def _free_texts(more: bytes) -> list[str]:
    """The texts behind what stands there for each signal: tags, each with the length of its value."""
    place = 0
    while place + 4 <= len(more) and (tag := more[place]):
        length = int.from_bytes(more[place + 1 : place + 4], "little")
        if tag == _FREE_TEXTS:
            value = more[place + 4 : place + 4 + length]
            return [text.decode("utf-8", errors="replace").strip() for text in value.split(b"\0")]
        place += 4 + length
    return []


def _signals(path: Path, named: bytes, count: int, *, old: bool) -> Sequence[_Signal]:
    def texts(begins: int, width: int) -> list[str]:
        return [_text(named[at : at + width]) for at in range(begins * count, (begins + width) * count, width)]

    def numbers(begins: int, type_: str) -> NDArray[Any]:
        return np.frombuffer(named, type_, count, begins * count)

    low, high = numbers(104, "<f8"), numbers(112, "<f8")
    least, most = (numbers(at, "<i8" if old else "<f8").astype(np.float64) for at in (120, 128))
    with np.errstate(all="ignore"):
        scales = (high - low) / (most - least)
        offsets = low - least * scales
    if old:
        units = [plain_unit(text) or "1" for text in texts(96, 8)]
    else:
        units = [_UNITS.get(code, "1") for code in numbers(102, "<u2").tolist()]
    samples, types, signals, begins = numbers(216, "<i4").tolist(), numbers(220, "<i4").tolist(), [], 0
    for n, label in enumerate(text or "signal" for text in texts(0, 16)):
        if types[n] not in _TYPES or samples[n] < 0:
            what = f"Its signal {label} is stored in a way that is not known here."
            raise stopping(path.name, what, "Export it again.")
        if not np.isfinite(scales[n]) or not np.isfinite(offsets[n]):
            raise stopping(path.name, f"Its signal {label} states no range that can be.", "Export it again.")
        signals.append(
            _Signal(
                label=label,
                unit=units[n],
                scale=float(scales[n]),
                offset=float(offsets[n]),
                samples=samples[n],
                type=np.dtype(_TYPES[types[n]]),
                begins=begins,
            )
        )
        begins += samples[n] * signals[-1].type.itemsize
    return signals


def _text(field: bytes) -> str:
    return field.split(b"\0")[0].decode("latin-1").strip()


def _began(head: bytes, *, old: bool) -> datetime | None:
    """The time of the first sample by the recorder's clock: text before version 1.9, then days since the year 0."""
    with suppress(ValueError, OverflowError):
        if old:
            return datetime.strptime(head[168:182].decode("ascii"), "%Y%m%d%H%M%S")  # noqa: DTZ007
        (since,) = struct.unpack_from("<Q", head, 168)
        return datetime(1, 1, 1) + timedelta(since / 2**32 - 367) if since else None  # noqa: DTZ001 - it has no offset
    return None


def _private(head: bytes, *, old: bool) -> tuple[str, ...]:
    places = {"patient field": slice(8, 88 if old else 74), "recording field": slice(88, 168 if old else 152)}
    texts = {name: _text(head[at]) for name, at in places.items()}
    return tuple(f"{name} ({text})" for name, text in texts.items() if text.strip(" X"))


def _held(path: Path, header: _Header, *, salvage: bool) -> tuple[int, str]:
    """The data records to read, and the loss in words. Raises ProblemError."""
    there = max(0, path.stat().st_size - header.bytes) // header.record_bytes if header.record_bytes else 0
    held = header.records if 0 < header.records <= there else there
    if not held or held * header.record_s > LONGEST_S:
        raise stopping(path.name, "It holds no samples, or more than a week of them.", _AGAIN)
    survives = f"{held} data records survive, {float(held * header.record_s):g} s"
    if header.records > held:
        if not salvage:
            what = f"It is cut short: {held} of the {header.records} data records that it declares are there."
            raise stopping(path.name, what, _AGAIN)
        return held, f"cut short: {survives}, of {header.records} that its header promises"
    if header.records < 1:
        if not salvage:
            what = f"Its recorder did not close it: its header says {header.records} data records."
            raise stopping(path.name, what, _AGAIN)
        return held, f"not closed by its recorder: {survives}, and its header says {header.records}"
    return held, ""


def _marks(path: Path, header: _Header, held: int) -> tuple[tuple[Mark, ...], bool]:
    """The events behind the data records, each with its code, and whether their table is complete."""
    if header.records != held:
        return (), True  # it would have been written at the end
    with path.open("rb") as file:
        file.seek(header.bytes + held * header.record_bytes)
        head = file.read(8)
        if len(head) < 8 or head[0] & ~_TIME_STAMPS not in (1, 3):
            return (), True
        if header.version < 1.94:
            rate_hz, count = float(int.from_bytes(head[1:4], "little")), int.from_bytes(head[4:8], "little")
        else:
            count, rate_hz = int.from_bytes(head[1:4], "little"), struct.unpack_from("<f", head, 4)[0]
        count = min(count, _MOST_EVENTS)
        places, codes = file.read(4 * count), file.read(2 * count)
    if not 0 < rate_hz < float("inf"):
        rate_hz = max(float(signal.samples / header.record_s) for signal in header.signals)
    known = min(len(places) // 4, len(codes) // 2)
    marks = (
        Mark(at_s=round((place - 1.0) / rate_hz, 6), text=_named(code, header.texts))
        for (place,), (code,) in zip(
            struct.iter_unpack("<I", places[: 4 * known]), struct.iter_unpack("<H", codes[: 2 * known]), strict=True
        )
    )
    return tuple(mark for mark in marks if 0.0 <= mark.at_s <= LONGEST_S), known == count


def _named(code: int, texts: Sequence[str]) -> str:
    """The text of an event's code, or the code itself."""
    return (texts[code] if code < len(texts) else "") or str(code)


class _Samples:
    """One signal as a stream."""

    def __init__(self, records: DataRecords, signal: _Signal, rate_hz: Fraction) -> None:
        self._records, self._signal = records, signal
        self.rate_hz = rate_hz
        self.length = records.count * signal.samples

    def read(self, start: int, stop: int) -> Floats:
        """Samples start, …, stop - 1."""
        signal, parts = self._signal, [np.empty(0)]
        place = slice(signal.begins, signal.begins + signal.samples * signal.type.itemsize)
        while start < stop:
            record, before = divmod(start, signal.samples)
            raw = self._records.part(place, start=record, stop=-(-stop // signal.samples))
            stored = np.ascontiguousarray(raw).view(signal.type).reshape(-1)[before : before + stop - start]
            parts.append(stored.astype(np.float64) * signal.scale + signal.offset)
            start += len(stored)
        return np.concatenate(parts)
