"""A performance sealed as a BagIt bag (RFC 8493): opening, sealing, and the digest that identifies a bag."""

from __future__ import annotations

import hashlib
import logging
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from types import MappingProxyType

import bagit

from residue import __version__
from residue.archive.beside import disk_problem, folder_beside
from residue.archive.performance import FILE_NAME, Performance, read_performance
from residue.archive.tag_files import check_tag_files
from residue.problems import Finding, ProblemError, Severity, stopping
from residue.progress import Progress, silent

ALGORITHM = "sha256"
DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
BLOCK_BYTES = 1 << 20
_UNSAFE_NAME = re.compile(r"[\x00-\x1f\x7f]|%0[AaDd]|%25")
"""Names with these are refused: a manifest may percent-encode CR, LF and %, and readers decode them differently."""

UNSTORABLE = "has a name that other systems cannot store"

logging.getLogger("bagit").setLevel(logging.CRITICAL)  # our findings report the same


@dataclass(frozen=True, slots=True)
class Bag:
    """An opened bag, with its own description. Its payload has not been read; `fixity.verify` does that."""

    path: Path
    digest: str
    """SHA-256 over its sorted payload manifest: two bags with the same payload have the same digest."""
    performance: Performance
    info: Mapping[str, tuple[str, ...]]
    """The elements of bag-info.txt, in their order; an element may occur more than once."""

    @property
    def payload(self) -> Path:
        """The folder of performance.toml."""
        return self.path / "data"

    def file_of(self, channel: str) -> Path:
        """The file that holds a channel; raises ProblemError where it is missing or leaves the bag."""
        named = self.performance.the_channel(channel, self.path.name).file
        where = f"{self.path.name}: channel.{channel}.file"
        file = self.payload / named
        if not file.resolve().is_relative_to(self.payload.resolve()):
            raise stopping(where, f"{named} is a link that leaves the bag.", "Seal a bag that holds the file itself.")
        if not file.is_file():
            raise stopping(where, f"{named} is missing from the bag.", "Copy the bag again from its source.")
        return file


def open_bag(path: Path) -> Bag:
    """The bag in a folder. It reads only the tag files and performance.toml, which is fast. Raises ProblemError."""
    opened = read_tags(path)
    info = {
        name: tuple(value) if isinstance(value, list) else (value,)
        for name, value in getattr(opened, "info", {}).items()
    }
    return Bag(path, _digest(opened), read_performance(path / "data" / FILE_NAME), info)


def payload_digest(path: Path) -> str:
    """The digest of a bag (64 hexadecimal digits), from its payload manifest alone. Raises ProblemError."""
    return _digest(read_tags(path))


def read_tags(path: Path) -> bagit.Bag:
    """The bag as the bagit library reads it, without its payload. Raises ProblemError."""
    holds = "Name the folder that holds bagit.txt."
    try:
        if not path.is_dir():
            raise stopping(str(path), "There is no such folder.", holds)
        (path / "bagit.txt").stat()  # for a folder without right of access, bagit reports that it is empty
        check_tag_files(path)
        opened = bagit.Bag(str(path))
    except ProblemError:
        raise
    except FileNotFoundError as error:
        raise stopping(path.name, "It holds no bagit.txt, so it is not a bag.", holds) from error
    except OSError as error:
        raise disk_problem(path, error) from error
    except Exception as error:  # every error of the library is about this bag
        raise stopping(
            path.name, f"It is not a bag that can be read: {error}.", "Copy it again from where it came."
        ) from error
    if not opened.payload_entries():
        raise stopping(path.name, "It lists no payload in a manifest.", "Seal the recording again.")
    return opened


def _digest(opened: bagit.Bag) -> str:
    entries = opened.payload_entries()
    lines = []
    for name in sorted(entries):
        algorithm = ALGORITHM if ALGORITHM in entries[name] else min(entries[name])
        lines.append(f"{algorithm} {entries[name][algorithm].lower()} {name}\n")
    return hashlib.sha256("".join(lines).encode()).hexdigest()


Info = Mapping[str, str | list[str]]
"""Further elements of bag-info.txt; a list repeats the element."""


def seal(folder: Path, into: Path, info: Info, on: date, progress: Progress = silent) -> Bag:
    """Copies a folder with performance.toml into a new bag at `into`.

    on: the Bagging-Date. The same folder, info and date give the same bytes.
    The bag is made beside `into` and renamed, so that an interruption leaves no half bag. Raises ProblemError.
    """
    read_performance(folder / FILE_NAME)
    files = _files_to_seal(folder)
    with folder_beside(into) as making:
        sums = {}
        for name in _told(files, progress):
            copied = making / "data" / name
            copied.parent.mkdir(parents=True, exist_ok=True)
            sums[name] = _copy_hashing(folder / name, copied)
        _write_tag_files(making, files, sums, info, on, {})
    return open_bag(into)


def seal_moving(
    folder: Path, into: Path, info: Info, on: date, about: Mapping[str, bytes], progress: Progress = silent
) -> Bag:
    """Turns a folder with performance.toml into a bag at `into`, on the same disk; the folder moves into the bag.

    about: files, by name, that describe the recording but are not part of it; they go into the folder about/.
    """
    read_performance(folder / FILE_NAME)
    files = _files_to_seal(folder)
    sums = {name: _checksum(folder / name) for name in _told(files, progress)}
    with folder_beside(into) as making:
        folder.rename(making / "data")
        _write_tag_files(making, files, sums, info, on, about)
    return open_bag(into)


def _told(files: list[tuple[str, int]], progress: Progress) -> Iterator[str]:
    """The names of the files; before each, the progress is reported in bytes."""
    done, total = 0, sum(size for _, size in files)
    for name, size in files:
        progress(name, done, total)
        yield name
        done += size
    progress("sealed", total, total)


def _write_tag_files(
    making: Path,
    files: list[tuple[str, int]],
    sums: Mapping[str, str],
    info: Info,
    on: date,
    about: Mapping[str, bytes],
) -> None:
    """Writes all files beside the payload."""
    for name, content in tag_files(files, sums, info, on, about).items():
        (making / name).parent.mkdir(exist_ok=True)
        (making / name).write_bytes(content)


def tag_files(
    files: Sequence[tuple[str, int]],
    sums: Mapping[str, str],
    info: Info,
    on: date,
    about: Mapping[str, bytes] = MappingProxyType({}),
) -> dict[str, bytes]:
    """All files beside the payload, by name. Source: RFC 8493, sections 2.1 and 2.2.

    files: the names within data/ and the sizes, sorted. sums: the checksums by these names. about: see `seal_moving`.
    """
    bag_info = {"Bag-Software-Agent": f"residue {__version__}", "Bagging-Date": on.isoformat()}
    oxum = {"Payload-Oxum": f"{sum(size for _, size in files)}.{len(files)}"}
    made = {f"about/{name}": content for name, content in about.items()}
    made["bag-info.txt"] = _tag_lines({**info, **bag_info, **oxum}).encode()
    made["bagit.txt"] = DECLARATION.encode()
    made[f"manifest-{ALGORITHM}.txt"] = "".join(f"{sums[name]}  data/{name}\n" for name, _ in files).encode()
    lines = (f"{hashlib.sha256(content).hexdigest()}  {name}\n" for name, content in sorted(made.items()))
    made[f"tagmanifest-{ALGORITHM}.txt"] = "".join(lines).encode()
    return made


def is_sealable(name: str) -> bool:
    """Whether a bag can hold a file of this name."""
    return not _UNSAFE_NAME.search(name) and name.isprintable()


def _files_to_seal(folder: Path) -> list[tuple[str, int]]:
    """The names (with forward slashes, sorted) and sizes of all files in a folder; raises for forbidden names."""
    files, findings = [], []
    for place, folders, names in os.walk(folder):
        for name in [*folders, *names]:
            path = Path(place, name)
            inner = path.relative_to(folder).as_posix()
            if path.is_symlink():
                findings.append(_unsealable(folder, inner, what="is a link", mend="Put the file itself there."))
            elif not is_sealable(inner):
                findings.append(_unsealable(folder, ascii(inner), what=UNSTORABLE, mend="Rename it."))
            elif path.is_file():
                files.append((inner, path.stat().st_size))
            elif not path.is_dir():
                findings.append(_unsealable(folder, inner, what="is not a file", mend="Remove it."))
    if findings:
        raise ProblemError(findings)
    return sorted(files)


def _unsealable(folder: Path, inner: str, *, what: str, mend: str) -> Finding:
    return Finding(Severity.STOPS, folder.name, f"{inner} {what}.", mend)


def _checksum(file: Path) -> str:
    with file.open("rb") as reading:
        return hashlib.file_digest(reading, ALGORITHM).hexdigest()


def _copy_hashing(source: Path, target: Path) -> str:
    digest = hashlib.sha256()
    with source.open("rb") as reading, target.open("wb") as writing:
        while block := reading.read(BLOCK_BYTES):
            digest.update(block)
            writing.write(block)
    return digest.hexdigest()


def _tag_lines(info: Info) -> str:
    """Elements of bag-info.txt, one a line; line breaks within a value become spaces."""
    lines = []
    for name, values in info.items():
        for value in [values] if isinstance(values, str) else values:
            lines.append(f"{name}: {' '.join(value.split())}\n")
    return "".join(lines)
