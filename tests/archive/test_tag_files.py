"""Tag files that no bag may silence anything with: odd encodings, odd checksums, what is no file, what is too large."""

from __future__ import annotations

import hashlib
import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from residue.archive.bag import read_tags
from residue.archive.fixity import is_valid, verify
from residue.archive.tag_files import ALGORITHMS
from residue.problems import ProblemError
from tests.archive.bags import sealed_bag


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    return sealed_bag(tmp_path).path


def declare(bag: Path, encoding: str) -> None:
    (bag / "bagit.txt").write_text(f"BagIt-Version: 1.0\nTag-File-Character-Encoding: {encoding}\n", encoding="utf-8")


def instead(bag: Path, name: str, make: Callable[[Path], None]) -> None:
    (bag / name).unlink(missing_ok=True)
    make(bag / name)


def sparse(path: Path, size_bytes: int) -> None:
    with path.open("wb") as file:
        file.truncate(size_bytes)


def nested(bag: Path) -> None:
    """Folders in each other, more of them than Python can remove."""
    (bag / "data" / "d").mkdir()
    inner = os.open(bag / "data" / "d", os.O_RDONLY)
    for _ in range(1_200):
        os.mkdir("d", dir_fd=inner)
        deeper = os.open("d", os.O_RDONLY, dir_fd=inner)
        os.close(inner)
        inner = deeper
    os.close(inner)


CANNOT_BE_READ = [
    *(
        pytest.param(lambda bag, codec=codec: declare(bag, codec), f"encoding {codec}", id=f"codec-{codec}")
        for codec in ("rot13", "base64", "zlib", "hex", "unicode_escape", "idna", "punycode", "undefined", "mbcs", "x")
    ),
    *(
        pytest.param(
            lambda bag, name=name: (bag / f"manifest-{name}.txt").write_text("00  data/beats.txt\n"),
            "checksums that cannot be checked",
            id=f"manifest-{name}",
        )
        for name in ("shake_128", "shake_256", "crc32", "../x".replace("/", "_"))
    ),
    *(
        pytest.param(lambda bag, name=name: instead(bag, name, os.mkfifo), f"{name} is not a file", id=f"fifo-{name}")
        for name in ("bagit.txt", "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt", "fetch.txt")
    ),
    pytest.param(
        lambda bag: instead(bag, "bag-info.txt", lambda path: path.symlink_to("/dev/zero")), "is a link", id="device"
    ),
    *(
        pytest.param(
            lambda bag, name=name: instead(bag, name, lambda path: sparse(path, 6 << 30)),
            f"{name} is larger than",
            id=f"6-GB-{name}",
        )
        for name in ("bagit.txt", "bag-info.txt", "manifest-sha256.txt", "fetch.txt")
    ),
]


@pytest.mark.parametrize(("spoil", "words"), CANNOT_BE_READ)
def test_a_tag_file_that_may_not_be_read_is_named_and_never_opened(
    bag: Path, spoil: Callable[[Path], object], words: str
) -> None:
    spoil(bag)
    with pytest.raises(ProblemError, match=words):
        read_tags(bag)
    findings = verify(bag)
    assert not is_valid(findings)
    assert words in " ".join(finding.what for finding in findings)


def test_a_declaration_that_names_two_encodings_is_refused(bag: Path) -> None:
    """The library then holds a list where it expects a name."""
    text = (bag / "bagit.txt").read_text(encoding="utf-8")
    (bag / "bagit.txt").write_text(text + "Tag-File-Character-Encoding: UTF-8\n", encoding="utf-8")
    with pytest.raises(ProblemError, match="not a bag that can be read"):
        read_tags(bag)


@pytest.mark.parametrize("encoding", ["UTF-8", "utf-8", "ISO-8859-1", "US-ASCII"])
def test_encodings_of_old_bags_are_read(bag: Path, encoding: str) -> None:
    declare(bag, encoding)
    (bag / "tagmanifest-sha256.txt").unlink()
    assert verify(bag) == []


def test_every_allowed_checksum_has_a_fixed_length() -> None:
    assert all(hashlib.new(name).hexdigest() for name in ALGORITHMS)


@pytest.mark.parametrize("name", ["data/beats.txt", "data/performance.toml", "data/not-listed"])
def test_a_pipe_in_the_payload_is_named_and_never_opened(bag: Path, name: str) -> None:
    instead(bag, name, os.mkfifo)
    findings = verify(bag)
    assert f"{name} is not a file." in [finding.what for finding in findings]


def test_a_circle_of_links_is_named(bag: Path) -> None:
    (bag / "data" / "round").symlink_to("round")
    assert "data/round" in " ".join(finding.what for finding in verify(bag))


def test_folders_that_are_nested_too_deeply_are_told(bag: Path) -> None:
    nested(bag)
    try:
        findings = verify(bag)
    finally:
        subprocess.run(["rm", "-r", bag / "data" / "d"], check=True)  # Python would not get to its end
    assert "Its folders are nested too deeply." in [finding.what for finding in findings]
