"""Compares the needs of an installation with the unit that is installed."""

from __future__ import annotations

import grp
import stat
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path

from residue.installation.load import ROOM, Installation, read_sensors
from residue.installation.room import Room
from residue.installation.unit_needs import UnitNeed, drop_in, lacking, needs_of
from residue.live.sensors import FILE_NAME as SENSORS
from residue.problems import Finding, Severity, stopping
from residue.runtime.system.unit_files import DROP_IN, UNIT, InstalledUnit, give, installed_unit
from residue.schedule.equipment import CommandEquipment

_MAY_OPEN = frozenset({"audio", "dialout"})
"""The groups of the service: the first from its unit, the second if a serial port is used."""


def needs_in(folder: Path, room: Room) -> tuple[UnitNeed, ...]:
    """The needs of room.toml, and of a sensors.toml without a fault beside it."""
    sensors = read_sensors(folder)[0] if (folder / SENSORS).exists() else None
    return needs_of(room, sensors)


def give_unit(folder: Path, room: Room) -> None:
    """Write the drop-in for the service of this machine.

    Raises ProblemError where the service does not run this folder.
    """
    unit = installed_unit()
    if unit is None or not unit.runs(folder):
        what = "No service of this machine runs this folder."
        raise stopping(str(folder), what, f"Name the folder in the ExecStart line of {UNIT}: systemctl cat residue")
    give(drop_in(needs_in(folder, room)))


def unit_findings(installation: Installation, unit: InstalledUnit | None) -> Iterator[Finding]:
    """Finds addresses and devices that the service needs and its unit does not permit."""
    folder = installation.folder
    needs = needs_in(folder, installation.room)
    if unit is None or not unit.runs(folder):
        if needs:
            what = f"As a service it needs to reach or open {_listed(needs)}."
            yield Finding(Severity.NOTES, UNIT, what, f"The lines for its unit: residue unit {folder}")
        return
    mend = f"Run: sudo residue unit {folder} --install && sudo systemctl restart residue"
    missing = lacking(needs, unit.values)
    if missing:
        what = f"The service's unit does not let it reach or open {_listed(missing)}."
        yield Finding(Severity.WARNS, UNIT, what, mend)
    elif needs:
        yield Finding(Severity.NOTES, UNIT, f"Its lines let the service reach or open {_listed(needs)}.", "")
    no_longer = unit.room - {setting for need in needs for setting in need.settings}
    if no_longer:
        lines = ", ".join(sorted(f"{setting.key}={setting.value}" for setting in no_longer))
        what = f"It still gives the service what {ROOM} no longer asks for: {lines}."
        yield Finding(Severity.WARNS, str(DROP_IN), what, mend)


def device_findings(room: Room) -> Iterator[Finding]:
    """Finds device nodes in room.toml that do not exist, or that the service may not open in any case."""
    programs = [
        (f"equipment[{n}]", one) for n, one in enumerate(room.equipment, 1) if isinstance(one, CommandEquipment)
    ]
    for key, one in [*programs, *((f"notice[{n}]", one) for n, one in enumerate(room.notice, 1))]:
        for node in one.opened:
            where, path = f"{ROOM}: {key}", Path(node)
            if not path.exists():
                yield Finding(Severity.WARNS, where, f"There is no {node} on this machine now.", "Plug it in.")
            elif path.is_char_device() and not _may_be_opened(path.stat().st_mode, path.stat().st_gid):
                kernel = path.resolve().name.rstrip("0123456789")
                rule = f'KERNEL=="{kernel}*", GROUP="audio", MODE="0660"'
                mend = f"Write the line {rule} into /etc/udev/rules.d/91-equipment.rules, and plug it in again."
                yield Finding(Severity.WARNS, where, f"The service's groups may not open {node}.", mend)


def _group_ids() -> Iterator[int]:
    for name in _MAY_OPEN:
        with suppress(KeyError):  # a machine may lack one
            yield grp.getgrnam(name).gr_gid


def _may_be_opened(mode: int, gid: int) -> bool:
    groups = set(_group_ids())
    wanted = stat.S_IROTH | stat.S_IWOTH, stat.S_IRGRP | stat.S_IWGRP
    return mode & wanted[0] == wanted[0] or (gid in groups and mode & wanted[1] == wanted[1])


def _listed(needs: Sequence[UnitNeed]) -> str:
    return ", ".join(f"{need.what} ({need.where})" for need in needs)
