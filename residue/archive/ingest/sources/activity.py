"""Recordings of watches and training devices as sources: TCX, and FIT by the extra "fit"."""

from __future__ import annotations

import math
import struct
import xml.etree.ElementTree as ET
from array import array
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from residue.archive.ingest.columns import HeldColumn, find_grid, mean_rate_hz, suggested_hz
from residue.archive.ingest.extras import extra, reason_in_words, without_warnings
from residue.archive.ingest.rows import Rows, by_times
from residue.archive.ingest.source import BeatTrack, IngestSource, Track
from residue.archive.ingest.times import Times
from residue.archive.performance import LONGEST_S
from residue.archive.readers.beats import LONGEST_INTERVAL_S, BeatList
from residue.problems import ProblemError, stopping

_AGAIN = "Copy it again from the device."
_TCX_FIELDS = {
    "HeartRateBpm": ("heart rate", "1/min"),
    "Cadence": ("cadence", "1/min"),
    "RunCadence": ("cadence", "1/min"),
    "Watts": ("power", "W"),
    "Speed": ("speed", "m/s"),
    "DistanceMeters": ("distance", "m"),
    "AltitudeMeters": ("altitude", "m"),
}
"""The elements of a Trackpoint (Training Center Database schema 2, Activity Extension 2), and what they become."""
_UNITS = {"bpm": "1/min", "rpm": "1/min", "watts": "W"}
_FIT_FAULTS = (ValueError, TypeError, KeyError, IndexError, OverflowError, AttributeError, AssertionError, struct.error)
"""What the library raises on faulty files, beside its own errors."""
_PLACES = ("position_lat", "position_long")


@dataclass
class _Points:
    """Rows of measurements, each with its time."""

    began: datetime | None = None
    times_s: array[float] = field(default_factory=lambda: array("d"))
    columns: dict[str, array[float]] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    intervals_s: array[float] = field(default_factory=lambda: array("d"))
    """From beat to beat."""
    placed: bool = False
    """Whether the rows told where the person was."""
    passed_over: int = 0
    """Rows whose time did not increase."""

    def add(self, moment: datetime, values: Mapping[str, tuple[float, str]]) -> None:
        """Takes one row; values: number and unit by name."""
        moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
        self.began = self.began or moment
        at_s = (moment - self.began).total_seconds()
        if self.times_s and at_s <= self.times_s[-1]:
            self.passed_over += 1
            return
        for name, (number, unit) in values.items():
            column = self.columns.setdefault(name, array("d"))
            column.extend([math.nan] * (len(self.times_s) - len(column)))
            column.append(number)
            self.units[name] = unit
        self.times_s.append(at_s)

    def source(self, path: Path, lost: str) -> IngestSource:
        """The columns as tracks, at a steady rate or on an even grid. Raises ProblemError."""
        if not self.columns and not self.intervals_s:
            raise stopping(path.name, "It holds no measurements.", "Leave it out, or find the right file.")
        rows = self._rows(path) if self.columns else None
        tracks = []
        for name, column in self.columns.items():
            column.extend([math.nan] * (len(self.times_s) - len(column)))
            if rows:
                tracks.append(Track(name, rows.stream(HeldColumn(np.array(column))), unit=self.units[name]))
        intervals_s = np.array(self.intervals_s)
        beats = BeatList(np.concatenate(([0.0], np.cumsum(intervals_s))), np.concatenate(([0.0], intervals_s)))
        told = rows.told if rows else ()
        if self.passed_over:
            told += (f"{self.passed_over} rows whose time did not increase were left out",)
        return IngestSource(
            path,
            tuple(tracks),
            beats=(BeatTrack("beats", beats),) if self.intervals_s else (),
            began=self.began,
            private=("position",) if self.placed else (),
            told=told,
            lost=lost,
        )

    def _rows(self, path: Path) -> Rows:
        times_s = Times(HeldColumn(np.array(self.times_s)))
        if self.times_s[-1] > LONGEST_S:
            raise stopping(path.name, "It spans more than a week.", "Leave it out, or cut it.")
        with suppress(ProblemError):
            grid = find_grid(path.name, times_s)
            if grid.rate_hz.denominator == 1:
                return by_times(path.name, times_s, None)
        return by_times(path.name, times_s, max(suggested_hz(mean_rate_hz(times_s)), 1.0))


def open_activity_source(path: Path, *, salvage: bool = False) -> IngestSource:
    """Opens what the device measured, without positions; FIT may hold intervals from beat to beat as well.

    salvage: take the rows before the place where the file cannot be read on. Raises ProblemError.
    """
    points = _Points()
    reading = _read_tcx if path.suffix.lower() == ".tcx" else _read_fit
    with without_warnings():
        fault = reading(path, points, salvage)
    if fault and not salvage:
        raise stopping(path.name, f"It cannot be read on after {len(points.times_s)} rows: {fault}.", _AGAIN)
    return points.source(path, f"cut short or damaged: it was read up to row {len(points.times_s)}" if fault else "")


def _read_tcx(path: Path, points: _Points, _salvage: bool) -> str:  # noqa: FBT001 - one signature for both formats
    """Reads the points; gives the fault that ended the reading, or nothing."""
    inside = 0
    try:
        for event, element in ET.iterparse(path, ("start", "end")):  # noqa: S314 - expat bounds what entities become
            name = element.tag.rpartition("}")[2]
            if event == "start":
                inside += name == "Trackpoint"
            elif name == "Trackpoint":
                inside -= 1
                _add_trackpoint(points, element)
            if event == "end" and not inside:
                element.clear()
    except (ET.ParseError, LookupError, ValueError) as error:  # the last two: an encoding unknown to expat
        return str(error)
    return ""


def _add_trackpoint(points: _Points, element: ET.Element) -> None:
    moment, values = None, {}
    for part in element.iter():
        name = part.tag.rpartition("}")[2]
        text = (part.text or "").strip() or "".join(part.itertext()).strip()
        if name == "Time":
            moment = _moment(text)
        elif name in _TCX_FIELDS:
            label, unit = _TCX_FIELDS[name]
            values[label] = (_number(text), unit)
        points.placed |= name == "Position"
    if moment:
        points.add(moment, values)


def _moment(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return None


def _number(text: object) -> float:
    try:
        return float(text)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        return math.nan


def _read_fit(path: Path, points: _Points, salvage: bool) -> str:  # noqa: FBT001 - one signature for both formats
    """Reads the points and the intervals; gives the fault that ended the reading, or nothing."""
    fitdecode = extra("fit", path)
    checking = fitdecode.CrcCheck.DISABLED if salvage else fitdecode.CrcCheck.RAISE
    takers: Mapping[str, Callable[[_Points, Any], None]] = {"record": _add_record, "hrv": _add_intervals}
    fault = ""
    try:
        with fitdecode.FitReader(path, check_crc=checking) as frames:
            for frame in frames:
                if isinstance(frame, fitdecode.FitDataMessage) and frame.name in takers:
                    takers[frame.name](points, frame)
    except (fitdecode.FitError, *_FIT_FAULTS) as error:
        fault = reason_in_words(error)
    return fault


def _add_record(points: _Points, frame: Any) -> None:
    moment, values = None, {}
    for one in frame.fields:
        if one.name == "timestamp" and isinstance(one.value, datetime):
            moment = one.value
        elif one.name in _PLACES:
            points.placed |= one.value is not None
        elif isinstance(one.value, (int, float)) and not str(one.name).startswith("unknown"):
            unit = _UNITS.get(one.units or "1", one.units or "1")
            values[str(one.name).replace("_", " ")] = (float(one.value), unit)
    if moment:
        points.add(moment, values)


def _add_intervals(points: _Points, frame: Any) -> None:
    for one in frame.fields:
        if one.name == "time":
            found = one.value if isinstance(one.value, (tuple, list)) else (one.value,)
            numbers = (value for value in found if isinstance(value, (int, float)))
            points.intervals_s.extend(value for value in numbers if 0 < value <= LONGEST_INTERVAL_S)
