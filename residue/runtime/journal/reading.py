"""Reads the rows of a level log for people, as far as it can be read; writes nothing."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, fields
from datetime import datetime
from math import inf, isfinite
from operator import attrgetter
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import quote

import msgspec

from residue.runtime.journal.caps_in_force import CapsRow, CapsSaid
from residue.runtime.journal.damage import damage_told, is_spoilt
from residue.runtime.journal.hours_in_force import HoursRow, HoursSaid
from residue.runtime.journal.log import (
    SPOILT_SUFFIX,
    TABLES,
    EventRow,
    LevelRow,
    Row,
    SecondRow,
    columns_of,
    timestamp,
)

R = TypeVar("R", LevelRow, SecondRow, EventRow, HoursRow, CapsRow)
_TYPES: dict[str, type | tuple[type, ...]] = {"str": str, "float": (float, int), "int": int}
_Levels = dict[str, float | None]
_JSON: Mapping[type[Row], Mapping[str, msgspec.json.Decoder[Any]]] = {
    LevelRow: {"sent": msgspec.json.Decoder(_Levels), "outputs": msgspec.json.Decoder(dict[str, _Levels])},
    SecondRow: {"sent": msgspec.json.Decoder(_Levels)},
    HoursRow: {"said": msgspec.json.Decoder(HoursSaid)},
    CapsRow: {"said": msgspec.json.Decoder(CapsSaid)},
}
"""By column: what reads the JSON in it."""


@dataclass(frozen=True, slots=True)
class Logged:
    """The rows of a stretch of time, in order."""

    minutes: Sequence[LevelRow] = ()
    seconds: Sequence[SecondRow] = ()
    events: Sequence[EventRow] = ()

    def within(self, start: datetime, end: datetime) -> Logged:
        """The rows that end after start and not after end."""
        after, until = timestamp(start), timestamp(end)
        return Logged(
            [row for row in self.minutes if after < row.utc <= until],
            [row for row in self.seconds if after < row.utc <= until],
            [row for row in self.events if after < row.utc <= until],
        )


class LogReader:
    """The rows of a log, and of the damaged one that was set aside for it.

    What is damaged is left out, and named in `faults`. Every method may raise sqlite3.Error or OSError where a log
    cannot be opened.
    """

    def __init__(self, path: Path) -> None:
        self._paths = [path.with_name(path.name + SPOILT_SUFFIX), path]
        self._faults: dict[str, None] = {}

    @property
    def faults(self) -> list[str]:
        """A sentence on each damage that was met."""
        return list(self._faults)

    def between(self, start: datetime, end: datetime) -> Logged:
        """The rows that end after start and not after end; none without a log."""
        during = "utc > ? AND utc <= ?", (timestamp(start), timestamp(end))
        return Logged(self._rows(LevelRow, *during), self._rows(SecondRow, *during), self._rows(EventRow, *during))

    def hours_between(self, start: datetime, end: datetime) -> list[HoursRow]:
        """The hours that were in force from start to end; first those that were at the start."""
        return self._in_force(HoursRow, start, end)

    def caps_between(self, start: datetime, end: datetime) -> list[CapsRow]:
        """The caps that were in force from start to end; first those that were at the start."""
        return self._in_force(CapsRow, start, end)

    def _in_force(self, kind: type[R], start: datetime, end: datetime) -> list[R]:
        latest = f"utc = (SELECT max(utc) FROM {TABLES[kind]} WHERE utc <= ?)"  # noqa: S608 (a name of our own)
        before: list[R] = self._rows(kind, latest, (timestamp(start),))
        return before[-1:] + self._rows(kind, "utc > ? AND utc <= ?", (timestamp(start), timestamp(end)))

    def last_moment(self) -> datetime | None:
        """The end of the last minute in the log; None without one."""
        found = [row.utc for row in self._rows(LevelRow, "utc = (SELECT max(utc) FROM level)", ())]
        return datetime.fromisoformat(max(found)) if found else None

    def last_hours(self) -> HoursRow | None:
        """The last hours in the log."""
        found = self._rows(HoursRow, "utc = (SELECT max(utc) FROM hours)", ())
        return found[-1] if found else None

    def _rows(self, kind: type[R], where: str, arguments: Sequence[str]) -> list[R]:
        found = [row for path in self._paths if path.exists() for row in self._of(path, kind, where, arguments)]
        return sorted(found, key=attrgetter("utc"))

    def _of(self, path: Path, kind: type[R], where: str, arguments: Sequence[str]) -> list[R]:
        """Forwards up to a damaged page, and backwards from the end up to it."""
        found: dict[int, Sequence[Any]] = {}
        for order in ("ASC", "DESC"):
            try:
                with damage_told(), closing(_opened(path)) as connection:
                    known = columns_of(connection, TABLES[kind])
                    if not known:  # a log from an earlier version has not all tables, and not all columns
                        break
                    names = ", ".join(f.name if f.name in known else f"NULL AS {f.name}" for f in fields(kind))
                    asked = f"SELECT rowid, {names} FROM {TABLES[kind]} WHERE {where} ORDER BY utc {order}"  # noqa: S608 (all parts are our own)
                    for number, *row in connection.execute(asked, arguments):
                        found[number] = row
            except sqlite3.DatabaseError as error:
                if not is_spoilt(error, path):
                    raise
                self._met(f"{path.name} is damaged ({error}): what can be read of it is told.")
            else:
                break
        return [made for row in found.values() for made in self._sound(path, kind, row)]

    def _sound(self, path: Path, kind: type[R], row: Sequence[Any]) -> Iterator[R]:
        """The row; a damaged one is left out."""
        made = kind(**dict(zip((f.name for f in fields(kind)), row, strict=True)))
        if _is_sound(made):
            yield made
        else:
            self._met(f"{path.name} has damaged rows, which are left out.")

    def _met(self, fault: str) -> None:
        self._faults[fault] = None


def _is_sound(row: Row) -> bool:
    """Whether each value is one that the house may have written."""
    try:
        if datetime.fromisoformat(row.utc).tzinfo is None:
            return False
        for name, decoder in _JSON.get(type(row), {}).items():
            decoder.decode(getattr(row, name))
    except (ValueError, TypeError, msgspec.MsgspecError):
        return False
    return all(_is_of_type(getattr(row, f.name), str(f.type)) for f in fields(row))


def _is_of_type(value: object, form: str) -> bool:
    """form: the type of a column as it is written: str, float, int, or one of these or None."""
    if value is None:
        return "None" in form
    finite = not isinstance(value, float) or isfinite(value) or value == -inf  # a governor may take everything away
    return isinstance(value, _TYPES[form.split(" ")[0]]) and finite


def _opened(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"file:{quote(str(path.absolute()))}?mode=ro", uri=True)
