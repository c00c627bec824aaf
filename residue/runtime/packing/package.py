"""What a package holds, and where: a bag whose payload is an installation and what the next house should know of it."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from datetime import date
from pathlib import PurePosixPath
from typing import Annotated, Literal

import msgspec
import tomlkit
from msgspec import Meta

from residue.installation.load import HOURS, HOURS_FILES, PERFORMANCES, PIECE, ROOM
from residue.live.sensors import FILE_NAME as SENSORS
from residue.runtime.offline.fingerprint import Versions

FORMAT: Literal[1] = 1
FACTS, CAUTIONS_FILE = "package.toml", "cautions.txt"
INSTALLATION = "installation"
"""The folder of what goes into force as it is: the piece with its files, the sensors, the performances."""
BEFORE = "before"
"""The folder of what the house before had, to be read by people: its room, its hours, its season."""
SEASON, FINGERPRINTS = "before/season", "fingerprints"

_ALWAYS = {FACTS, CAUTIONS_FILE, f"{BEFORE}/{ROOM}", f"{BEFORE}/{HOURS}", f"{INSTALLATION}/{PIECE}"}
_MAYBE = f"{INSTALLATION}/{SENSORS}"
_OTHERS = re.compile(rf"{SEASON}/[a-z]+\.(?:csv|txt)|{FINGERPRINTS}/[^/]+\.toml|{INSTALLATION}/{PERFORMANCES}/.+")


class PackageFacts(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """package.toml: what was packed, when and with what."""

    format: Literal[1]
    """The edition of this layout."""
    piece: str
    """The title of the piece."""
    packed: date
    """The day on which it was packed."""
    performances: Annotated[list[str], Meta(min_length=1)]
    """Those that the hours name, which are in it."""
    files: list[str]
    """The files that the piece names, from the folder of the installation on."""
    other_packages: list[str]
    """The Python packages that nodes of the piece come from, with their versions, beside residue."""
    left_out: list[str]
    """What of the installation is not in it, in words."""
    versions: Versions
    """What it was packed with."""

    def __post_init__(self) -> None:
        for file in self.files:
            if not is_a_file_of_a_piece(file):
                raise ValueError(f'files: "{file}" is none that a piece may bring. Do not use this package.')


def is_a_file_of_a_piece(name: str) -> bool:
    """Whether a file that a piece names stays in the installation's folder, and takes no place of another."""
    path = PurePosixPath(name)
    taken = {PIECE, ROOM, SENSORS, PERFORMANCES, *HOURS_FILES}
    plain = bool(path.parts) and not path.is_absolute() and ".." not in path.parts and path.as_posix() == name
    return plain and path.parts[0] not in taken and not path.parts[0].startswith(".")


def facts_text(facts: PackageFacts) -> str:
    """The text of package.toml."""
    return tomlkit.dumps(msgspec.to_builtins(facts, builtin_types=(date,)))


def unlike_a_package(payload: Collection[str], facts: PackageFacts) -> Iterator[str]:
    """The files of a payload that no package has, and those that it lacks, in words."""
    needed = _ALWAYS | {f"{INSTALLATION}/{file}" for file in facts.files}
    for name in payload:
        if name not in needed and name != _MAYBE and not _OTHERS.fullmatch(name):
            yield f"It holds {name}, which no package has."
    for name in facts.performances:
        needed |= {f"{FINGERPRINTS}/{name}.toml", f"{INSTALLATION}/{PERFORMANCES}/{name}/bagit.txt"}
    yield from (f"It lacks {name}." for name in sorted(needed.difference(payload)))
