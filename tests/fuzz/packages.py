"""Packages that come from another house: as a file, and what is in them with all checksums right."""

from __future__ import annotations

import shutil
import tomllib
import zipfile
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from pathlib import Path

from residue.archive.one_file import write_in_one_file
from residue.installation.load import load
from residue.runtime.packing.packing import pack
from residue.runtime.packing.unpacking import unpack
from tests.fuzz.target import Target, Trial, answered, joined, parts, told
from tests.runtime import kitchen

_DAY = date(2026, 3, 3)


def _packed(folder: Path) -> bytes:
    installation = kitchen.build(folder, 47_399, duration_s=0.2)
    pack(load(installation), folder / "dough.zip", folder / "cache", datetime(2026, 3, 2, tzinfo=UTC))
    return (folder / "dough.zip").read_bytes()


def _file(folder: Path) -> Sequence[bytes]:
    return [_packed(folder)]


def _text_within(folder: Path) -> Sequence[bytes]:
    """Of the files in it those that are read as text; the others take the place of nobody."""
    _packed(folder)
    with zipfile.ZipFile(folder / "dough.zip") as archive:
        files = {name.partition("/data/")[2]: archive.read(name) for name in archive.namelist()}
    return [joined({name: content for name, content in files.items() if name and b"\0" not in content})]


def _opened(package: Path) -> str:
    """Whatever is accepted has a room and hours that are TOML, with nothing in force that nobody answered."""
    into = package.with_name("hall")
    try:
        found = unpack(package, into, _DAY)
        room = tomllib.loads((into / "room.toml").read_text(encoding="utf-8"))
        hours = tomllib.loads((into / "hours.toml").read_text(encoding="utf-8"))
        if room.keys() - {"output"} or hours.keys() - {"programme"}:
            raise AssertionError(f"in force without an answer: {room} {hours}")
        if any("calibration" in output or "device_channel" in output for output in room["output"].values()):
            raise AssertionError(f"in force without an answer: {room}")
        return told(found.findings)
    finally:
        shutil.rmtree(into, ignore_errors=True)


def _trial_of_file(folder: Path) -> Trial:
    def once(content: bytes) -> str:
        (folder / "dough.zip").write_bytes(content)
        return answered(lambda: _opened(folder / "dough.zip"))

    return once


def _trial_within(folder: Path) -> Trial:
    def once(content: bytes) -> str:
        return answered(lambda: _opened(_sealed(folder / "dough.zip", parts(content))))

    return once


def _sealed(package: Path, payload: Mapping[str, bytes]) -> Path:
    package.unlink(missing_ok=True)
    write_in_one_file(package, "dough", payload, {}, _DAY)
    return package


PACKAGES: Mapping[str, Target] = {
    "package": Target(_file, _trial_of_file, (b"PK\x03\x04", b"PK\x01\x02", b"../", b"\x08\0")),
    "within a package": Target(
        _text_within,
        _trial_within,
        (
            b"==== installation/room.toml\n",
            b"==== ../x\n",
            b"calibration = {",
            b'"""',
            b"\\n",
            b"\x1b[2J",
            b"format = 2",
        ),
    ),
}
