"""The memory that the house keeps over a restart or a power cut."""

from __future__ import annotations

from datetime import datetime
from math import inf, isinf
from pathlib import Path

import msgspec

from residue.records import SpoiltRecordError, read_record
from residue.runtime.house.course import interrupted, place_s
from residue.runtime.house.exchange import EngineView
from residue.runtime.house.house_state import House, Place
from residue.runtime.system.clock import Uptime
from residue.runtime.system.folders import MEMORY_BEFORE_FILE, MEMORY_FILE
from residue.schedule.opening import Opening
from residue.schedule.programme import Programme


class Alive(msgspec.Struct, frozen=True, kw_only=True):
    """A moment at which the house ran: by the clock, and by the time since the machine started."""

    utc: str
    boot: str
    up_s: float


class Memory(msgspec.Struct, frozen=True, kw_only=True):
    """JSON-ready; written to the state directory every few seconds."""

    opening: Opening | None = None
    before: Place | None = None
    index: int = 0
    under_way: bool = False
    place_s: float = 0.0
    held_by: str | None = None
    hold_left_s: float | None = None
    """The rest of the hold; null: until a person releases it. Time without power does not count."""
    trim_db: float = 0.0
    trimmed_by: str | None = None
    alive: Alive | None = None
    """The moment at which this was written."""
    last_known: datetime | None = None
    """The latest reliable time of day: see residue.schedule.clock_trust."""


def alive_at(now: datetime, up: Uptime) -> Alive:
    """The moment of a memory."""
    return Alive(utc=now.isoformat(timespec="milliseconds"), boot=up.boot, up_s=round(up.seconds, 3))


def remembered(folder: Path) -> tuple[Memory, list[str]]:
    """The memory in the state folder, and a sentence on each file of it that cannot be read.

    If the latest is damaged or missing, the one before counts, which is a few seconds older.
    """
    lost: list[str] = []
    for name in (MEMORY_FILE, MEMORY_BEFORE_FILE):
        try:
            return read_record(folder / name, Memory), lost
        except FileNotFoundError:
            continue
        except (OSError, SpoiltRecordError) as error:
            lost.append(f"{name} cannot be read: {error}.")
    if lost:
        lost.append("The day begins again; a hold or a trim is lost.")
    return Memory(), lost


def memory(
    house: House,
    engine: EngineView,
    monotonic_s: float,
    *,
    last_known: datetime | None = None,
    alive: Alive | None = None,
) -> Memory:
    """The memory to write down."""
    return Memory(
        opening=house.opening,
        before=house.before,
        index=house.index,
        under_way=house.under_way,
        place_s=place_s(house, engine),
        held_by=house.held_by,
        hold_left_s=None if isinf(house.held_until_s) else max(0.0, house.held_until_s - monotonic_s),
        trim_db=house.trim_db,
        trimmed_by=house.trimmed_by,
        alive=alive,
        last_known=last_known,
    )


def recalled(written: Memory, programme: Programme, monotonic_s: float) -> House:
    """The house as it starts from a memory, without the parts that do not belong to the present opening."""
    before = House(
        opening=written.opening,
        before=written.before,
        index=written.index,
        under_way=written.under_way,
        from_s=written.place_s,
        held_by=written.held_by,
        held_until_s=inf if written.hold_left_s is None else monotonic_s + written.hold_left_s,
        trim_db=written.trim_db,
        trimmed_by=written.trimmed_by,
    )
    return interrupted(before, EngineView(turn=-1), programme)
