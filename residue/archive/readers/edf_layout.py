"""The header of EDF, EDF+, BDF and BDF+ files: the layout of the data, checked against the file's size."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

from residue.problems import stopping

FIXED_BYTES = 256
"""The size of the fixed part of the header, and of the part for each signal."""
AGAIN = "Copy it again from the recorder, or export it again."
ANNOTATIONS = frozenset({"EDF Annotations", "BDF Annotations"})
"""The labels of signals whose bytes are text."""


@dataclass(frozen=True, kw_only=True)
class EdfLayout:
    """The layout of the file, from its header."""

    header: bytes
    header_bytes: int
    sample_bytes: int
    """2 in EDF, 3 in BDF."""
    records: int
    record_s: Fraction
    labels: Sequence[str]
    samples: Sequence[int]
    """The samples of each signal in a record."""
    discontinuous: bool
    lost: str = ""
    """What its header promises and the file does not hold, in words."""

    @property
    def record_bytes(self) -> int:
        """The size of a data record."""
        return sum(self.samples) * self.sample_bytes


def read_layout(path: Path, *, salvage: bool = False) -> EdfLayout:
    """The layout of an EDF or BDF file, checked against the file's size. Raises ProblemError.

    salvage: take the data records that are there, whatever the header says of their number and of its own size.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        fixed = file.read(FIXED_BYTES)
        if len(fixed) < FIXED_BYTES or fixed[:8] not in (b"0       ", b"\xffBIOSEMI"):
            raise stopping(path.name, "It does not begin as an EDF or BDF file does.", AGAIN)
        signals = _whole(path, fixed[252:256], "number of signals")
        if signals < 1:
            raise stopping(path.name, "It holds no signals.", AGAIN)
        header = fixed + file.read(FIXED_BYTES * signals)
    if len(header) < FIXED_BYTES * (signals + 1):
        raise stopping(path.name, f"It ends within its header, which declares {signals} signals.", AGAIN)

    def fields(offset: int, width: int) -> list[bytes]:
        start = FIXED_BYTES + offset * signals
        return [header[start + k * width : start + (k + 1) * width] for k in range(signals)]

    layout = EdfLayout(
        header=header,
        header_bytes=_whole(path, fixed[184:192], "size of the header", instead=FIXED_BYTES if salvage else None),
        sample_bytes=3 if fixed[0] == 0xFF else 2,
        records=_whole(path, fixed[236:244], "number of data records", instead=-1 if salvage else None),
        record_s=_duration(path, fixed[244:252]),
        labels=[label.decode("latin-1").strip() for label in fields(0, 16)],
        samples=[_whole(path, count, "number of samples in a record") for count in fields(216, 8)],
        discontinuous=fixed[192:197] in (b"EDF+D", b"BDF+D"),
    )
    if salvage:
        layout = _surviving(layout, size)
    _check_size(path, layout, size)
    return layout


def _surviving(layout: EdfLayout, size: int) -> EdfLayout:
    """The layout with the data records that are there, and a header that says so."""
    header_bytes = FIXED_BYTES * (len(layout.labels) + 1)
    held = (size - header_bytes) // max(layout.record_bytes, 1)
    if held == layout.records and header_bytes == layout.header_bytes:
        return layout
    survives = f"{max(held, 0)} data records survive, {float(max(held, 0) * layout.record_s):g} s"
    if held < layout.records:
        lost = f"cut short: {survives}, of {layout.records} that its header promises"
    else:
        lost = f"not closed by its recorder: {survives}, and its header says {layout.records}"
    header = bytearray(layout.header)
    header[184:192] = f"{header_bytes:<8d}".encode()
    header[236:244] = f"{held:<8d}".encode()
    return replace(layout, header=bytes(header), header_bytes=header_bytes, records=held, lost=lost)


def _check_size(path: Path, layout: EdfLayout, size: int) -> None:
    expected = FIXED_BYTES * (len(layout.labels) + 1)
    if layout.header_bytes != expected:
        what = f"Its header says that it is {layout.header_bytes} bytes long, but {expected} are meant."
        raise stopping(path.name, what, AGAIN)
    none_held = size < layout.header_bytes + layout.record_bytes
    if min(layout.samples) < 0 or layout.record_bytes <= 0 or (layout.records < 1 and none_held):
        raise stopping(path.name, "It holds no samples.", "Leave the channel out, or find the right file.")
    if layout.records < 1:
        what = f"Its recorder did not close it: its header says {layout.records} data records."
        raise stopping(path.name, what, AGAIN)
    held = (size - layout.header_bytes) // layout.record_bytes
    if held < layout.records:
        what = f"It is cut short: {held} of the {layout.records} data records that it declares are there."
        raise stopping(path.name, what, AGAIN)


def _whole(path: Path, field: bytes, what: str, instead: int | None = None) -> int:
    """A whole number in the header; `instead` where there is none. Raises ProblemError."""
    try:
        return int(field)
    except ValueError:
        if instead is not None:
            return instead
        shown = field.decode("latin-1").strip()
        raise stopping(path.name, f'In its header the {what} reads "{shown}".', AGAIN) from None


def _duration(path: Path, field: bytes) -> Fraction:
    try:
        duration = Fraction(field.decode("ascii").strip())
    except (ValueError, ZeroDivisionError):
        duration = Fraction(0)
    if duration <= 0:
        shown = field.decode("latin-1").strip()
        raise stopping(path.name, f'In its header the duration of a data record reads "{shown}".', AGAIN)
    return duration
