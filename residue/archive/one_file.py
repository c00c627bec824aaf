"""A bag in one file: a ZIP archive that compresses nothing, with the bag's folder at its top.

Nothing is compressed, since recordings hardly get smaller, and so that no file can become larger than it came. The
entries are in a fixed order with fixed times: the same bag gives the same bytes.
"""

from __future__ import annotations

import hashlib
import shutil
import stat
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from io import BytesIO
from pathlib import Path, PurePosixPath

from residue.archive.bag import BLOCK_BYTES, UNSTORABLE, Info, is_sealable, tag_files
from residue.archive.beside import asked_for
from residue.archive.tree import MOST_LEVELS
from residue.problems import Finding, ProblemError, Severity, stopping
from residue.progress import Progress, silent

Content = Path | bytes
"""A file on the disk, or the bytes of one."""

_MOST_FILES = 100_000
"""Our choice: far more than the recordings of any piece."""
_LONGEST_NAME_BYTES = 255
"""Of one part of a path. Source: NAME_MAX of Linux, limits.h(0p)."""
_BEGUN = (1980, 1, 1, 0, 0, 0)
"""The earliest time that a ZIP archive can hold."""
_ENCRYPTED = 0x1
COPY_AGAIN = "Copy the file again from its source."
DO_NOT_USE = "Do not use it. Ask the house that it comes from for the file as `residue pack` wrote it."


def write_in_one_file(
    out: Path, name: str, payload: Mapping[str, Content], info: Info, on: date, progress: Progress = silent
) -> None:
    """Writes a bag called `name` into one file; at the end there is the whole file, or what was there before.

    payload: by the path within data/. info: further elements of bag-info.txt. on: its Bagging-Date.
    Raises ProblemError.
    """
    unstorable = [inner for inner in payload if not _is_plain(f"{name}/data/{inner}")]
    if unstorable:
        raise ProblemError(
            Finding(Severity.STOPS, out.name, f"{inner!a} {UNSTORABLE}.", "Rename it.") for inner in unstorable
        )
    sizes = {inner: _size(content) for inner, content in payload.items()}
    done, total = 0, sum(sizes.values())
    sums: dict[str, str] = {}
    with asked_for(out) as making, zipfile.ZipFile(making, "w", zipfile.ZIP_STORED) as archive:
        for inner in sorted(payload):
            progress(inner, done, total)
            sums[inner] = _add(archive, f"{name}/data/{inner}", payload[inner])
            done += sizes[inner]
        progress("packed", total, total)
        for tag, content in tag_files(sorted(sizes.items()), sums, info, on).items():
            _add(archive, f"{name}/{tag}", content)


def _size(content: Content) -> int:
    return len(content) if isinstance(content, bytes) else content.stat().st_size


def _add(archive: zipfile.ZipFile, name: str, content: Content) -> str:
    """Adds a file; returns its SHA-256."""
    entry, digest = zipfile.ZipInfo(name, _BEGUN), hashlib.sha256()
    entry.external_attr = (stat.S_IFREG | 0o644) << 16
    with (
        BytesIO(content) if isinstance(content, bytes) else content.open("rb") as reading,
        archive.open(entry, "w", force_zip64=True) as writing,
    ):
        while block := reading.read(BLOCK_BYTES):
            digest.update(block)
            writing.write(block)
    return digest.hexdigest()


def read_from_one_file(file: Path, into: Path, progress: Progress = silent) -> None:
    """Lays the bag of a file down in a folder, without the folder at its top. `fixity.verify` compares its checksums.

    A file from a stranger may hold anything: before a byte is written, every name, size and kind of it is looked at.
    Nothing is made executable. Raises ProblemError, with one message.
    """
    with file.open("rb") as opened:
        try:
            with zipfile.ZipFile(opened) as archive:
                entries = [entry for entry in archive.infolist() if not entry.is_dir()]
                _check(file, entries)
                _extract(archive, entries, into, progress)
        except (ProblemError, OSError):
            raise
        except Exception as error:  # of damaged archives the library raises nearly any error
            what = f"It is damaged, or not a package: {str(error) or type(error).__name__}."
            raise stopping(file.name, what, COPY_AGAIN) from error


def _extract(archive: zipfile.ZipFile, entries: Sequence[zipfile.ZipInfo], into: Path, progress: Progress) -> None:
    total, free = sum(entry.file_size for entry in entries), shutil.disk_usage(into).free
    if total > free:
        what = f"It needs {total / 1e6:.0f} MB, and {free / 1e6:.0f} MB are free."
        raise stopping(str(into.parent), what, "Make room, or choose another disk.")
    done = 0
    for entry in entries:
        inner = PurePosixPath(*PurePosixPath(entry.filename).parts[1:])
        progress(str(inner), done, total)
        (into / inner).parent.mkdir(parents=True, exist_ok=True)
        with archive.open(entry) as reading, (into / inner).open("xb") as writing:
            shutil.copyfileobj(reading, writing, BLOCK_BYTES)
        done += entry.file_size
    progress("unpacked", total, total)


def _check(file: Path, entries: Sequence[zipfile.ZipInfo]) -> None:
    """Raises ProblemError for the first thing that no package has."""
    if wrong := next(_wrong(entries, file.stat().st_size), None):
        raise stopping(file.name, wrong, DO_NOT_USE)


def _wrong(entries: Sequence[zipfile.ZipInfo], most_bytes: int) -> Iterator[str]:
    if not entries:
        yield "It is empty."
    if len(entries) > _MOST_FILES:
        yield f"It holds {len(entries)} files, and {_MOST_FILES} are the most."
    for entry in entries:
        told = ascii(entry.orig_filename)[:80]
        if entry.orig_filename != entry.filename or not _is_plain(entry.filename):  # a name ends at a zero byte
            yield f"The name {told} does not stay in its folder, or other systems cannot store it."
        elif stat.S_IFMT(entry.external_attr >> 16) not in (0, stat.S_IFREG):
            yield f"{told} is a link or a device, and no file."
        elif entry.flag_bits & _ENCRYPTED:
            yield f"{told} is encrypted."
        elif entry.compress_type != zipfile.ZIP_STORED or entry.compress_size != entry.file_size:
            yield f"{told} is compressed, so nobody knows how large it becomes."
    if sum(entry.file_size for entry in entries) > most_bytes:
        yield "Its files are larger together than it is itself."
    names = [entry.filename for entry in entries]
    if len(set(names)) < len(names):
        yield "It holds two files of one name."
    if set(names) & {str(parent) for name in names for parent in PurePosixPath(name).parents}:
        yield "It holds a file and a folder of one name."
    if len({name.partition("/")[0] for name in names}) > 1:
        yield "It holds more than one folder at its top."


def _is_plain(name: str) -> bool:
    """Whether a name stays in its folder, wherever it is written."""
    parts = name.split("/")
    return (
        is_sealable(name)
        and "\\" not in name
        and 2 <= len(parts) <= MOST_LEVELS
        and all(part not in ("", ".", "..") and len(part.encode()) <= _LONGEST_NAME_BYTES for part in parts)
    )
