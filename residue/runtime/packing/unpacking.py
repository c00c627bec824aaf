"""Opens a package in another house: checked before anything of it is used, and never half there."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import residue
from residue.archive.beside import folder_beside
from residue.archive.fixity import verify
from residue.archive.one_file import read_from_one_file
from residue.archive.tree import files_below
from residue.checking import check, read_toml
from residue.installation.load import HOURS, ROOM, read_room
from residue.installation.room import Room
from residue.problems import Finding, ProblemError, Severity, stopping, stops
from residue.progress import Progress, silent
from residue.runtime.offline.fingerprint import versions
from residue.runtime.packing.package import (
    BEFORE,
    CAUTIONS_FILE,
    FACTS,
    FINGERPRINTS,
    INSTALLATION,
    PackageFacts,
    unlike_a_package,
)
from residue.runtime.packing.questions import hours_with_questions, room_with_questions
from residue.schedule.hours import Hours

HANDED_ON = "handed-on"
"""The folder in the new installation for what people of this house should read."""
FINGERPRINTS_HERE = f"{HANDED_ON}/{FINGERPRINTS}"
_DO_NOT_USE = "Do not use it. Ask the house that it comes from for the file as `residue pack` wrote it."


@dataclass(frozen=True, slots=True)
class Unpacked:
    """What a package held. findings: what a person should look at."""

    facts: PackageFacts
    findings: tuple[Finding, ...]


def unpack(file: Path, into: Path, today: date, progress: Progress = silent) -> Unpacked:
    """Makes an installation in the new folder `into` from a package. Raises ProblemError, and then makes nothing.

    Its room and hours ask for what only people of this house know. What was calibrated elsewhere is not in force.
    """
    with folder_beside(into) as making:
        bag = making / ".package"
        bag.mkdir()
        read_from_one_file(file, bag, progress)
        findings = verify(bag, progress)
        if stops(findings):
            raise ProblemError([_of_file(file, one) for one in findings if one.severity is Severity.STOPS])
        data = bag / "data"
        facts = _facts(file, data)
        room, hours = _before(file, data, facts)
        for path in (data / INSTALLATION).iterdir():
            path.rename(making / path.name)
        _write(making / ROOM, room_with_questions(room, facts.piece, today))
        _write(making / HOURS, hours_with_questions(hours, facts.piece, today))
        (making / HANDED_ON).mkdir()
        for name in (FACTS, CAUTIONS_FILE, BEFORE, FINGERPRINTS):
            (data / name).rename(making / HANDED_ON / name)
        shutil.rmtree(bag)
    return Unpacked(facts, tuple(_unlike(facts)))


def _of_file(file: Path, finding: Finding) -> Finding:
    """A finding on the bag, in terms of the file that people have."""
    return Finding(finding.severity, file.name, finding.what, "Copy the file again from its source.")


def _facts(file: Path, data: Path) -> PackageFacts:
    raw, findings = read_toml(data / FACTS)
    if not findings and raw.get("format") != 1 and isinstance(raw.get("format"), int):
        what = f"It is in edition {raw['format']} of the layout, and this residue reads edition 1."
        raise stopping(file.name, what, "Install a newer residue.")
    facts, found = (None, findings) if findings else check(raw, PackageFacts, FACTS)
    if facts is None:
        raise ProblemError([_within(file, finding) for finding in found])
    if unlike := next(unlike_a_package(dict(files_below(data)), facts), None):
        raise stopping(file.name, unlike, _DO_NOT_USE)
    return facts


def _before(file: Path, data: Path, facts: PackageFacts) -> tuple[Room, Mapping[str, Any]]:
    """The room of the house before, and the tables of its hours, both checked."""
    room, findings = read_room(data / BEFORE / ROOM)
    raw, found = read_toml(data / BEFORE / HOURS)
    hours, faults = (None, []) if found else check(raw, Hours, HOURS)
    if room is not None and hours is not None:
        return room, raw
    findings = [_within(file, finding) for finding in (*findings, *found, *faults)]
    if facts.versions.residue != residue.__version__:
        what = f"It was packed with residue {facts.versions.residue}, and this is {residue.__version__}."
        findings.append(Finding(Severity.STOPS, file.name, what, "Install the later of the two."))
    raise ProblemError(findings)


def _within(file: Path, finding: Finding) -> Finding:
    """A finding on a file in the package."""
    return replace(finding, where=f"{file.name}: {finding.where}")


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")


def _unlike(facts: PackageFacts) -> Iterator[Finding]:
    """What of this machine is not as it was where the package was made."""
    for name, was, now in facts.versions.unlike(versions()):
        mend = "Compare the fingerprints, as is said below."
        yield Finding(Severity.NOTES, "versions", f"{name} was {was}, and is {now} here.", mend)
    if facts.other_packages:
        what = f"The piece has nodes of {', '.join(facts.other_packages)}."
        mend = "Ask the artist for it, and install it here with pip, if it is not here yet."
        yield Finding(Severity.WARNS, "piece.toml", what, mend)
