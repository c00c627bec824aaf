"""Checks which tag files of a bag may be read: regular files, with the size, encoding and checksums of real bags.

The bagit library opens every file with the right name, and gives the declared encoding to Python's codecs, some of
which are not text encodings. Therefore these rules are checked before the library opens a bag.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterator
from pathlib import Path

from residue.problems import Finding, ProblemError, Severity
from residue.small_files import read_small, size_in_words

DECLARATION_FILE = "bagit.txt"
ENCODINGS = frozenset(
    {
        *("utf-8", "utf8", "utf-16", "utf-16be", "utf-16le", "us-ascii", "ascii"),
        *("iso-8859-1", "iso8859-1", "latin1", "latin-1", "iso-8859-15", "windows-1252"),
    }
)
"""In lower case. RFC 8493, section 2.1.1, requires UTF-8 for new bags; the others occur in old ones (common
practice).
"""
ALGORITHMS = frozenset(
    {
        *("md5", "sha1", "sha224", "sha256", "sha384", "sha512"),
        *("sha3_224", "sha3_256", "sha3_384", "sha3_512", "blake2b", "blake2s"),
    }
)
"""Checksums of a fixed length. RFC 8493, section 2.4, names the first row; hashlib also has the second."""
_MOST_BYTES = {DECLARATION_FILE: 4_000, "bag-info.txt": 1_000_000, "package-info.txt": 1_000_000}
_MOST_MANIFEST_BYTES = 4_000_000
"""Our choice: enough for about 25,000 files under SHA-256."""
_MANIFEST = re.compile(r"(?:tag)?manifest-(.+)\.txt", re.DOTALL)
_ENCODING = re.compile(r"^\s*Tag-File-Character-Encoding\s*:(.*)$", re.MULTILINE)
_REMOVE = "Do not use this bag. Ask the person who made it."


def check_tag_files(bag: Path) -> None:
    """Raises ProblemError with every tag file that may not be read; OSError where the folder cannot be listed."""
    findings = list(_findings(bag))
    if findings:
        raise ProblemError(findings)


def _findings(bag: Path) -> Iterator[Finding]:
    with os.scandir(bag) as entries:
        sizes = {entry.name: entry.stat(follow_symlinks=False) for entry in entries if _is_tag_file(entry.name)}
    for name, found in sorted(sizes.items()):
        algorithm = _MANIFEST.fullmatch(name)
        most_bytes = _MOST_BYTES.get(name, _MOST_MANIFEST_BYTES)
        if not stat.S_ISREG(found.st_mode):
            kind = "is a link" if stat.S_ISLNK(found.st_mode) else "is not a file"
            yield _stop(bag, f"{name} {kind}.", _REMOVE)
        elif found.st_size > most_bytes:
            yield _stop(bag, f"{name} is larger than {size_in_words(most_bytes)}, the most for such a file.", _REMOVE)
        elif algorithm and algorithm[1] not in ALGORITHMS:
            yield _stop(bag, f"{name} has checksums that cannot be checked here.", "Seal the folder with SHA-256.")
        elif name == DECLARATION_FILE:
            yield from _encoding(bag)


def _is_tag_file(name: str) -> bool:
    return name in _MOST_BYTES or name == "fetch.txt" or _MANIFEST.fullmatch(name) is not None


def _encoding(bag: Path) -> Iterator[Finding]:
    text = read_small(bag / DECLARATION_FILE, _MOST_BYTES[DECLARATION_FILE]).decode("utf-8-sig", "replace")
    for declared in _ENCODING.findall(text):
        if declared.strip().lower() not in ENCODINGS:
            what = f"Its tag files are said to be in the encoding {declared.strip()[:40]}, which is not read here."
            yield _stop(bag, what, "Seal the folder again, with tag files in UTF-8.")


def _stop(bag: Path, what: str, mend: str) -> Finding:
    return Finding(Severity.STOPS, bag.name, what, mend)
