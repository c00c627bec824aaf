"""Checks whether prepared channels are unchanged on the disk: they are played every night, for months.

The checksums are computed at the first reading, kept beside the files, and compared at every later reading.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path

import msgspec

from residue.archive.bag import BLOCK_BYTES
from residue.archive.beside import clear, own_file_beside
from residue.problems import Finding, Severity
from residue.records import SpoiltRecordError, encode_record, read_record
from residue.small_files import at_once

SUMS = "sums.json"


class Sum(msgspec.Struct, frozen=True, kw_only=True):
    """The state of a file when it was read. A file with another size or time was written again, and is not damaged."""

    size: int
    mtime_ns: int
    sha256: str


def reread(folder: Path, name: str, told: Callable[[int], None]) -> list[Finding]:
    """Reads every prepared channel of a performance; removes those that changed without a write, to be made again.

    name: that of the performance, for people. told: called with the number of bytes read since its last call.
    """
    before, sums = _known(folder), {}
    findings: list[Finding] = []
    for file in sorted([*folder.glob("*.npy"), *folder.glob("*.gaps")]):
        try:
            now = _sum(file, told)
        except OSError as error:
            findings.append(_spoilt(name, file, f"cannot be read any more: {error.strerror}"))
            continue
        known = before.get(file.name, now)
        if (known.size, known.mtime_ns) == (now.size, now.mtime_ns) and known.sha256 != now.sha256:
            findings.append(_spoilt(name, file, "has changed although nobody wrote to it"))
        else:
            sums[file.name] = now
    if sums != before:
        with own_file_beside(folder / SUMS) as making:
            making.write_bytes(encode_record(sums))
    return findings


def _spoilt(name: str, file: Path, what: str) -> Finding:
    with suppress(OSError):
        clear(file)
    mend = "It is made again from the bag. The disk begins to fail: copy what is on it, and replace it."
    return Finding(Severity.WARNS, name, f"Its prepared channel {file.name} {what}.", mend)


def _known(folder: Path) -> Mapping[str, Sum]:
    try:
        return read_record(folder / SUMS, dict[str, Sum])
    except (OSError, SpoiltRecordError):
        return {}


def _sum(file: Path, told: Callable[[int], None]) -> Sum:
    digest, stat = hashlib.sha256(), file.stat()
    with open(file, "rb", buffering=0, opener=at_once) as reading:
        while block := reading.read(BLOCK_BYTES):
            digest.update(block)
            told(len(block))
    return Sum(size=stat.st_size, mtime_ns=stat.st_mtime_ns, sha256=digest.hexdigest())
