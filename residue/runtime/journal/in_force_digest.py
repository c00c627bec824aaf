"""A short name for everything that decides which sound is played, and how loud."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

import residue
from residue.archive.bag import payload_digest
from residue.installation.load import FILES, HOURS, Installation
from residue.problems import ProblemError
from residue.schedule.beside import CALENDAR_FILE
from residue.schedule.calendar_file import MOST_BYTES
from residue.small_files import read_small

_DIGITS = 16


def digest_in_force(installation: Installation) -> str:
    """The digest of the software's version, the files and the performances: 16 hexadecimal digits."""
    return digest_of(installation.places, installation.performances)


def digest_of(places: Mapping[str, Path], performances: Mapping[str, Path]) -> str:
    """The same, also where a file or a bag is broken. places: as of an Installation."""
    digest = hashlib.sha256(residue.__version__.encode())
    for name in FILES:
        digest.update(name.encode() + _content(places[name] / name))
    if (calendar := places[HOURS] / CALENDAR_FILE).exists():
        digest.update(CALENDAR_FILE.encode() + _content(calendar))
    for name, bag in sorted(performances.items()):
        digest.update(name.encode() + _sealed(bag).encode())
    return digest.hexdigest()[:_DIGITS]


def _content(path: Path) -> bytes:
    try:
        return hashlib.sha256(read_small(path, MOST_BYTES)).digest()
    except OSError:
        return b"cannot be read"


def in_force(installation: Installation) -> str:
    """A line for later readers of the log: version, fingerprint, caps and days of calibration."""
    limits = "; ".join(f"{cap.name} {cap.limit_in_words}" for cap in installation.room.caps)
    known = {name: output.calibration for name, output in installation.room.output.items()}
    calibrated = ", ".join(f"{name} {found.on if found else 'not'}" for name, found in known.items())
    mark = digest_in_force(installation)
    return f"residue {residue.__version__}, digest {mark}. Caps: {limits}. Calibrated: {calibrated}."


def _sealed(bag: Path) -> str:
    try:
        return payload_digest(bag)
    except ProblemError:
        return "cannot be read"
