"""Annotations of EDF+ and BDF+ files: start times of data records, and notes.

Source: EDF+ specification, 2.2. A list of annotations is: the onset in seconds after the start of the file, optionally
0x15 and the duration, 0x14, the texts with 0x14 after each, and a zero byte.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from fractions import Fraction
from pathlib import Path

from residue.archive.readers.edf_layout import AGAIN, ANNOTATIONS, EdfLayout
from residue.problems import stopping

_SECONDS = rb"(-?\d{1,9}(?:\.\d{0,9})?)"
_HEAD = re.compile(rb"\+?" + _SECONDS + rb"(?:\x15\d{1,9}(?:\.\d{0,9})?(?=\x14))?")
"""Onset and duration of a list; a duration that is not a number is left out."""
_LIST = re.compile(rb"\+?" + _SECONDS + rb"(?:\x15[^\x14\x00]*)?\x14([^\x00]*)\x00")


def record_onsets(path: Path, layout: EdfLayout) -> list[Fraction]:
    """The start of each data record in seconds, from its time-keeping annotation. Raises ProblemError."""
    onsets = []
    for record, texts in enumerate(_records(path, layout), 1):
        if not texts:
            raise stopping(path.name, "It says that it has gaps, but not where they are.", AGAIN)
        found = _LIST.match(texts[0])
        if not found:
            raise stopping(path.name, f"Data record {record} does not say when it starts.", AGAIN)
        onsets.append(_seconds(found))
    return onsets


def notes(path: Path, layout: EdfLayout) -> Iterator[tuple[Fraction, str]]:
    """Notes with their times in seconds from the first sample, in the order of the file. Skips damaged lists."""
    began = None
    for texts in _records(path, layout):
        for found in (found for text in texts for found in _LIST.finditer(text)):
            began = _seconds(found) if began is None else began  # the first list keeps the time of the first record
            for noted in filter(None, found[2].split(b"\x14")):
                yield _seconds(found) - began, noted.decode("utf-8", errors="replace")


def annotation_places(layout: EdfLayout) -> list[tuple[int, int]]:
    """The places of the annotation signals in each data record: (bytes before, width in bytes)."""
    widths = [count * layout.sample_bytes for count in layout.samples]
    return [(sum(widths[:k]), widths[k]) for k, label in enumerate(layout.labels) if label in ANNOTATIONS]


def without_notes(raw: bytes, kept: Collection[str], *, keeps_time: bool) -> bytes:
    """The bytes of an annotation signal in one data record, of the same length, with only the notes that may stay.

    keeps_time: its first list has the start of the record, and stays without its notes.
    """
    lists = [_shortened(found, kept) for found in _LIST.finditer(raw)]
    first = _LIST.match(raw) if keeps_time else None
    if first and not lists[0]:
        lists[0] = (b"" if first[1].startswith(b"-") else b"+") + first[1] + b"\x14\x14\x00"
    return b"".join(lists).ljust(len(raw), b"\x00")


def _shortened(found: re.Match[bytes], kept: Collection[str]) -> bytes:
    """A list with only those of its notes that may stay; empty if none may stay."""
    texts = [text for text in found[2].split(b"\x14") if text and text.decode("utf-8", errors="replace") in kept]
    head = _HEAD.match(found[0])
    if not texts or head is None:
        return b""
    first = b"\x14" if found[2].startswith(b"\x14") else b""
    return head[0] + b"\x14" + first + b"".join(text + b"\x14" for text in texts) + b"\x00"


def _seconds(found: re.Match[bytes]) -> Fraction:
    return Fraction(found[1].decode().rstrip("."))


def _records(path: Path, layout: EdfLayout) -> Iterator[list[bytes]]:
    """The bytes of the annotation signals in each data record."""
    places = annotation_places(layout)
    with path.open("rb") as file:
        for record in range(layout.records):
            texts = []
            for before, width in places:
                file.seek(layout.header_bytes + record * layout.record_bytes + before)
                texts.append(file.read(width))
            yield texts
