"""Checks whether a bag is complete and unchanged, and reports in words for people."""

from __future__ import annotations

import hashlib
import os
import re
import unicodedata
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path

import bagit

from residue.archive.bag import BLOCK_BYTES, read_tags
from residue.archive.beside import disk_problem
from residue.archive.tree import files_below
from residue.problems import Finding, ProblemError, Severity, stops
from residue.progress import Progress, silent
from residue.small_files import at_once

_DECLARATION = re.compile(rb"BagIt-Version: \d+\.\d+\r?\nTag-File-Character-Encoding: [A-Za-z0-9._-]+(\r?\n)*")
"""RFC 8493, section 2.1.1: exactly these two lines. The bagit library allows further blanks."""
_OXUM = re.compile(r"(\d{1,19})\.(\d{1,19})")
_WEAK = frozenset({"md5", "sha1"})
_COPY_AGAIN = "Copy the bag again from its source."

Listed = Mapping[str, Mapping[str, str]]
"""The checksum of each algorithm, by path within the bag, with forward slashes."""


def verify(path: Path, progress: Progress = silent) -> list[Finding]:
    """All faults of the bag at `path`; it is valid if no finding stops.

    It reads every byte that the manifests list, and nothing outside the bag. Source: RFC 8493, sections 2 and 3.
    """
    try:
        opened = read_tags(path)
        declared = list(_declaration(path, opened))
        fetch = {name for _, _, name in opened.fetch_entries()}
        found = dict(files_below(path))
    except ProblemError as problem:
        return list(problem.findings)
    except OSError as error:
        return list(disk_problem(path, error).findings)
    except (bagit.BagError, ValueError) as error:
        return [_stop(path, f"Its fetch.txt cannot be read: {error}.", _COPY_AGAIN)]
    listed: Listed = {name.replace(os.sep, "/"): sums for name, sums in opened.entries.items()}
    findings = [
        *declared,
        *_outside(path, listed, found),
        *_completeness(path, opened, listed, found, fetch),
        *_collisions(path, found),
        *_size(path, opened, found),
    ]
    readable = {name for name, file in found.items() if file.is_file() and _is_within(path, file)}
    inside = {name: sums for name, sums in listed.items() if name in readable}
    return findings + list(_changed(path, inside, progress))


def is_valid(findings: list[Finding]) -> bool:
    """Whether the findings of `verify` contain none that stops."""
    return not stops(findings)


def _stop(path: Path, what: str, mend: str) -> Finding:
    return Finding(Severity.STOPS, path.name, what, mend)


def _warn(path: Path, what: str, mend: str) -> Finding:
    return Finding(Severity.WARNS, path.name, what, mend)


def _declaration(path: Path, opened: bagit.Bag) -> Iterator[Finding]:
    """Checks bagit.txt exactly, the payload folder, and that there is a checksum that protects."""
    text = (path / "bagit.txt").read_bytes()
    strict = opened.version_info >= (1, 0)
    if text.startswith(b"\xef\xbb\xbf") or (strict and not _DECLARATION.fullmatch(text)):
        yield _stop(path, "bagit.txt is not written as the standard asks.", "Write its two lines without extra blanks.")
    if not (path / "data").is_dir():
        yield _stop(path, "It has no folder named data.", _COPY_AGAIN)
    algorithms = set(_payload_algorithms(opened))
    if algorithms <= _WEAK:
        yield _warn(path, f"It is sealed with {', '.join(sorted(algorithms))} only.", "Seal it again, with SHA-256.")


def _payload_algorithms(opened: bagit.Bag) -> list[str]:
    return [Path(name).stem.removeprefix("manifest-") for name in opened.manifest_files()]


def _is_within(path: Path, file: Path) -> bool:
    return Path(os.path.realpath(file)).is_relative_to(os.path.realpath(path))  # which does not follow links


def _outside(path: Path, listed: Listed, found: Mapping[str, Path]) -> Iterator[Finding]:
    """Finds links that lead out of the bag, and entries that are not regular files."""
    for name in sorted(listed.keys() | found.keys()):
        file = path / name
        if not _is_within(path, file):
            what = "is a link that leaves the bag" if file.is_symlink() else "leaves the bag"
            yield _stop(path, f"{name} {what}.", "Do not use this bag. Ask the person who made it.")
        elif os.path.lexists(file) and not file.is_file():
            yield _stop(path, f"{name} is not a file.", _COPY_AGAIN)


def _completeness(
    path: Path, opened: bagit.Bag, listed: Listed, found: Mapping[str, Path], fetch: set[str]
) -> Iterator[Finding]:
    present = {_normal(name): name for name in found}
    for name in sorted(listed):
        if _normal(name) in present:
            continue
        if name in fetch:
            yield _stop(path, f"{name} has not been fetched yet.", "Fetch it as fetch.txt says, then verify again.")
        else:
            yield _stop(path, f"{name} is missing.", _COPY_AGAIN)
    wanted = set(_payload_algorithms(opened))
    every = opened.version_info >= (1, 0)  # before 1.0 any one manifest was enough
    by_normal = {_normal(name): sums for name, sums in listed.items()}
    for name in sorted(name for name in found if name.startswith("data/")):
        lacking = wanted - by_normal.get(_normal(name), {}).keys()
        if lacking == wanted:
            yield _stop(path, f"{name} is not listed in any manifest.", "Remove it, or seal the folder again.")
        elif lacking and every:
            yield _stop(path, f"{name} is not listed for {', '.join(sorted(lacking))}.", "Seal the folder again.")
    for name in sorted(fetch - listed.keys()):
        yield _stop(path, f"fetch.txt names {name}, which no manifest lists.", _COPY_AGAIN)


def _normal(name: str) -> str:
    """A name in one form of Unicode: file systems compose accents differently."""
    return unicodedata.normalize("NFC", name)


def _collisions(path: Path, found: Mapping[str, Path]) -> Iterator[Finding]:
    """Finds names that are the same on another file system."""
    alike = defaultdict(list)
    for name in sorted(found):
        alike[_normal(name).casefold()].append(name)
    for names in alike.values():
        if len(names) > 1:
            yield _warn(path, f"{' and '.join(names)} are one name on many disks.", "Rename all but one.")


def _size(path: Path, opened: bagit.Bag, found: Mapping[str, Path]) -> Iterator[Finding]:
    oxum = getattr(opened, "info", {}).get("Payload-Oxum")
    if oxum is None:
        return
    first = oxum[0] if isinstance(oxum, list) else oxum
    declared = _OXUM.fullmatch(first)
    sizes = [file.stat().st_size for name, file in found.items() if name.startswith("data/") and file.is_file()]
    if not declared:
        yield _stop(path, f"Payload-Oxum: {first[:40]} is not a size.", "It reads octets.files, such as 32081.14.")
    elif (int(declared[1]), int(declared[2])) != (sum(sizes), len(sizes)):
        what = f"It holds {sum(sizes)} bytes in {len(sizes)} files, but declares {declared[1]} in {declared[2]}."
        yield _stop(path, what, _COPY_AGAIN)


def _changed(path: Path, listed: Listed, progress: Progress) -> Iterator[Finding]:
    sizes = {name: (path / name).stat().st_size for name in listed}
    done, total = 0, sum(sizes.values())
    for name, sums in sorted(listed.items()):
        told = partial(_tell_within, progress, name, before=done, total=total)
        try:
            actual = _checksums(path / name, sums, told)
        except OSError as error:
            yield _stop(path, f"{name} cannot be read: {error.strerror}.", "The disk may be failing; copy the bag.")
            continue
        if any(actual[algorithm] != sums[algorithm].lower() for algorithm in sums):
            yield _stop(path, f"{name} has changed since the bag was sealed.", _COPY_AGAIN)
        done += sizes[name]
    progress(path.name, total, total)


def _tell_within(progress: Progress, name: str, read: int, *, before: int, total: int) -> None:
    progress(name, min(before + read, total), total)


def _checksums(file: Path, algorithms: Mapping[str, str], told: Callable[[int], None]) -> dict[str, str]:
    """The checksums of a file. told: called with the number of bytes read, before the first and after each block."""
    digests = {algorithm: hashlib.new(algorithm) for algorithm in algorithms}
    buffer, done = memoryview(bytearray(BLOCK_BYTES)), 0
    told(done)
    with open(file, "rb", buffering=0, opener=at_once) as reading:
        while count := reading.readinto(buffer):
            for digest in digests.values():
                digest.update(buffer[:count])
            done += count
            told(done)
    return {algorithm: digest.hexdigest() for algorithm, digest in digests.items()}
