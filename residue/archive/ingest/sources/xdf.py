"""XDF files as sources: streams of many devices on one clock; needs the extra "xdf"."""

from __future__ import annotations

import logging
import struct
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from residue.archive.ingest.columns import GriddedStream, HeldColumn, find_grid
from residue.archive.ingest.extras import FAULTS, extra, faults_told, without_warnings
from residue.archive.ingest.memory import check_memory
from residue.archive.ingest.offset import Later
from residue.archive.ingest.source import IngestSource, Track, guess_kind
from residue.archive.ingest.sources.xdf_size import memory_needed_bytes
from residue.archive.performance import Mark
from residue.problems import stopping

log = logging.getLogger(__name__)

_MAGIC = b"XDF:"
_MOST_CHANNELS = 1024
_FAULTS = (*FAULTS, struct.error)
_AGAIN = "Copy it again from the recorder."


def open_xdf_source(path: Path, *, salvage: bool = False) -> IngestSource:
    """Opens every stream of numbers as tracks, every stream of text as marks, on the file's common clock.

    The offsets in the file convert the clocks of the devices to that of the recording computer. salvage: take what can
    be read of a damaged file. Raises ProblemError.
    """
    pyxdf = extra("xdf", path)
    with path.open("rb") as file:
        if file.read(len(_MAGIC)) != _MAGIC:
            raise stopping(path.name, "It does not begin as an XDF file does.", _AGAIN)
    # The library loads the whole file.
    mend = "Close other programs, ingest it on a computer with more memory, or have it exported as EDF or CSV."
    check_memory(path, memory_needed_bytes(path), mend)
    unread = faults_told(path, (*_FAULTS, ET.ParseError), "It is not an XDF file that can be read", _AGAIN)
    with unread, without_warnings(), _faults_met() as faults:
        streams, header = pyxdf.load_xdf(path, synchronize_clocks=True, dejitter_timestamps=True, verbose=False)
    if faults.count and not salvage:
        raise stopping(path.name, f"It is {_times(faults)}.", _AGAIN)
    lost = f"{_times(faults)}: what could not be read was passed over" if faults.count else ""
    with faults_told(path, _FAULTS, "Its streams cannot be read", "Record it again."):
        return replace(_source(path, streams, header), lost=lost)


class _Faults(logging.Handler):
    """Counts the library's messages about places that it could not read; it continues after them."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.count = 0

    def emit(self, record: logging.LogRecord) -> None:
        """Counts one more record."""
        self.count += 1


@contextmanager
def _faults_met() -> Iterator[_Faults]:
    """Counts the faults, and does not show them, because they mean nothing to people."""
    library, faults = logging.getLogger("pyxdf"), _Faults()
    library.addHandler(faults)
    library.propagate = False
    try:
        yield faults
    finally:
        library.propagate = True
        library.removeHandler(faults)


def _times(faults: _Faults) -> str:
    return f"cut short or damaged, {'once' if faults.count == 1 else f'{faults.count} times'}"


def _source(path: Path, streams: list[dict[str, Any]], header: dict[str, Any]) -> IngestSource:
    filled = [stream for stream in streams if len(stream["time_stamps"])]
    if not filled:
        raise stopping(path.name, "It holds no samples.", "Leave it out, or find the right file.")
    origin = min(float(stream["time_stamps"][0]) for stream in filled)
    tracks: list[Track] = []
    marks: list[Mark] = []
    for stream in filled:
        if isinstance(stream["time_series"], list):
            marks += _marks(stream, origin)
        else:
            tracks += _tracks(path, stream, origin)
    hosts = sorted({host for stream in streams if (host := _one(stream["info"], "hostname"))})
    private = tuple(f"name of a computer ({host})" for host in hosts)
    ordered = tuple(sorted(marks, key=lambda mark: mark.at_s))
    return IngestSource(path, tuple(tracks), began=_began(header), marks=ordered, private=private)


def _one(info: dict[str, Any], key: str) -> str:
    """The text of an element; the library gives a list for each, as XML may repeat it."""
    found = (info.get(key) or [None])[0]
    return found if isinstance(found, str) else ""


def _marks(stream: dict[str, Any], origin: float) -> list[Mark]:
    return [
        Mark(at_s=round(float(time) - origin, 6), text=" ".join(str(part) for part in values))
        for time, values in zip(stream["time_stamps"], stream["time_series"], strict=True)
    ]


def _tracks(path: Path, stream: dict[str, Any], origin: float) -> list[Track]:
    name = _one(stream["info"], "name") or "stream"
    values = np.atleast_2d(np.asarray(stream["time_series"]).T).T
    if values.shape[1] > _MOST_CHANNELS:
        raise stopping(path.name, f"{name} has {values.shape[1]} channels.", f"{_MOST_CHANNELS} are the most.")
    times_s = np.asarray(stream["time_stamps"], dtype=np.float64) - origin
    if np.any(np.diff(times_s) <= 0):
        raise stopping(path.name, f"In {name} time does not increase.", "Record it again.")
    times = HeldColumn(times_s)
    grid = find_grid(f"{path.name}: {name}", times)
    nominal = float(_one(stream["info"], "nominal_srate") or 0)
    if nominal:
        log.info("%s: %s ran at %.4f Hz where %g were meant", path.name, name, float(grid.rate_hz), nominal)
    kind = guess_kind(_one(stream["info"], "type"))
    labels = _labels(stream["info"], values.shape[1])
    late = round(times_s[0] * grid.rate_hz)
    streams = (Later(GriddedStream(HeldColumn(column), times, grid), late) for column in values.T)
    return [
        Track(f"{name} {label}", stream, unit=unit or "1", kind=kind or guess_kind(label))
        for (label, unit), stream in zip(labels, streams, strict=True)
    ]


def _labels(info: dict[str, Any], count: int) -> list[tuple[str, str]]:
    """Label and unit of each channel from the stream's description; without one, its number."""
    try:
        described = info["desc"][0]["channels"][0]["channel"]
        labels = [(one["label"][0], (one.get("unit") or [""])[0]) for one in described]
    except (KeyError, IndexError, TypeError):
        labels = []
    return labels if len(labels) == count else [(str(number), "") for number in range(1, count + 1)]


def _began(header: dict[str, Any]) -> datetime | None:
    try:
        return datetime.fromisoformat(_one(header["info"], "datetime")).replace(tzinfo=None)
    except (ValueError, KeyError):
        return None
