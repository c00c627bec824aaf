"""BagIt, RFC 8493: our verdict clause by clause, and beside the `bagit` command's in both directions.

The rows are those of the Library of Congress' conformance suite as they are described in print; the bags are made here.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import tarfile
import unicodedata
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from residue.archive.bag import open_bag, seal
from residue.archive.fixity import is_valid, verify
from residue.problems import Severity
from tests.archive.bags import SEALED_ON, recorded_folder, sealed_bag
from tests.reference.recordings import bag_archives

BAGIT = Path(sys.executable).with_name("bagit.py")


def bagit_accepts(bag: Path) -> bool:
    done = subprocess.run([sys.executable, BAGIT, "--quiet", "--validate", bag], capture_output=True, check=False)
    return done.returncode == 0


def reseal_tags(bag: Path) -> None:
    """Write the tag manifest again, so that only the fault under test is left."""
    lines = [
        f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.name}\n"
        for path in sorted(bag.iterdir())
        if path.is_file() and not path.name.startswith("tagmanifest")
    ]
    (bag / "tagmanifest-sha256.txt").write_text("".join(lines), encoding="utf-8")


def edit(bag: Path, name: str, change: Callable[[str], str]) -> None:
    path = bag / name
    path.write_bytes(change(path.read_bytes().decode()).encode())
    reseal_tags(bag)


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    return sealed_bag(tmp_path).path


def flip_a_bit(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)


def test_a_sealed_bag_is_valid_to_us_and_to_the_bagit_command(bag: Path) -> None:
    assert verify(bag) == []
    assert bagit_accepts(bag)


def test_a_bag_that_the_bagit_command_made_is_valid_to_us(tmp_path: Path) -> None:
    folder = tmp_path / "evening"
    (folder / "with a space").mkdir(parents=True)
    (folder / "with a space" / "Übung.txt").write_text("warm", encoding="utf-8")
    subprocess.run([sys.executable, BAGIT, "--quiet", "--sha256", "--sha512", folder], check=True, capture_output=True)
    assert verify(folder) == []


def add_fetch(bag: Path, line: str) -> None:
    (bag / "fetch.txt").write_text(line, encoding="utf-8")
    reseal_tags(bag)


def drop(bag: Path, name: str) -> None:
    (bag / name).unlink()


def remove_payload(bag: Path) -> None:
    shutil.rmtree(bag / "data")


def second_manifest_without_beats(bag: Path) -> None:
    lines = [
        f"{hashlib.sha512(path.read_bytes()).hexdigest()}  {path.relative_to(bag).as_posix()}\n"
        for path in sorted((bag / "data").rglob("*"))
        if path.is_file() and path.name != "beats.txt"
    ]
    (bag / "manifest-sha512.txt").write_text("".join(lines), encoding="utf-8")
    reseal_tags(bag)


def link_out(bag: Path, to: str) -> None:
    outside = bag.parent / to
    outside.parent.mkdir(exist_ok=True)
    (bag / "data" / "beats.txt").rename(outside)
    (bag / "data" / "beats.txt").symlink_to(outside)


MANIFEST = "manifest-sha256.txt"
SUM = "0" * 64

# What is done to a valid bag, and what the finding says. The numbers count the rules of RFC 8493.
FAULTS = [
    pytest.param(lambda bag: drop(bag, "bagit.txt"), "bagit.txt", id="1-no-bagit.txt"),
    pytest.param(
        lambda bag: edit(bag, "bagit.txt", lambda text: text.splitlines()[0] + "\n"), "Encoding", id="1-no-encoding"
    ),
    pytest.param(lambda bag: edit(bag, "bagit.txt", lambda text: "\ufeff" + text), "bagit.txt", id="2-bom"),
    pytest.param(lambda bag: edit(bag, "bagit.txt", lambda text: text.replace("1.0", ".97")), ".97", id="3-version"),
    pytest.param(
        lambda bag: edit(bag, "bagit.txt", lambda text: text.replace("Version:", "Version :")),
        "bagit.txt",
        id="4-blank",
    ),
    pytest.param(remove_payload, "data", id="5-no-payload-folder"),
    pytest.param(lambda bag: drop(bag, MANIFEST), "manifest", id="5-no-manifest"),
    pytest.param(second_manifest_without_beats, "not listed for sha512", id="6-not-in-every-manifest"),
    pytest.param(
        lambda bag: edit(bag, MANIFEST, lambda text: text + text.splitlines()[0] + "\n"),
        "multiple",
        id="7-listed-twice",
    ),
    pytest.param(lambda bag: flip_a_bit(bag / "data" / "arms.flac"), "arms.flac has changed", id="8-one-bit"),
    pytest.param(
        lambda bag: (bag / "data" / "extra.wav").write_bytes(b""), "extra.wav is not listed", id="9-extra-file"
    ),
    pytest.param(lambda bag: drop(bag, "data/beats.txt"), "beats.txt is missing", id="10-missing-file"),
    pytest.param(lambda bag: drop(bag, "bag-info.txt"), "bag-info.txt is missing", id="10-missing-tag-file"),
    pytest.param(lambda bag: flip_a_bit(bag / "bag-info.txt"), "bag-info.txt has changed", id="11-tag-file-changed"),
    *[
        pytest.param(
            lambda bag, path=path: edit(bag, MANIFEST, lambda text: f"{text}{SUM}  {path}\n"),
            "",
            id=f"12-manifest-{path}",
        )
        for path in ("../../../README.md", "../first-batch-2/x", "/etc/hostname", "~/x", "~root/x", "data/../../x")
    ],
    pytest.param(
        lambda bag: add_fetch(bag, "https://bakery.example/x 4 ../../x\n"), "fetch", id="12-fetch-leaves-the-bag"
    ),
    pytest.param(lambda bag: link_out(bag, "outside.txt"), "unsafe", id="12-link-leaves-the-bag"),
    pytest.param(lambda bag: link_out(bag, "first-batch-2/x"), "leaves the bag", id="12-link-to-a-bag-of-like-name"),
    pytest.param(
        lambda bag: edit(bag, "bag-info.txt", lambda text: text.replace("Oxum: ", "Oxum: 9")), "declares", id="13-oxum"
    ),
    pytest.param(
        lambda bag: edit(bag, "bag-info.txt", lambda text: text.replace("Oxum: ", "Oxum: " + "9" * 9999)),
        "not a size",
        id="13-oxum-beyond-all-disks",
    ),
]


@pytest.mark.parametrize(("spoil", "told"), FAULTS)
def test_a_fault_makes_the_bag_invalid_and_is_told(bag: Path, spoil: Callable[[Path], object], told: str) -> None:
    spoil(bag)
    findings = verify(bag)
    assert not is_valid(findings)
    assert any(told in finding.what for finding in findings)


def test_a_holey_bag_is_incomplete_until_its_files_are_fetched(bag: Path) -> None:
    """Row 15."""
    away = bag.parent / "beats.txt"
    (bag / "data" / "beats.txt").rename(away)
    add_fetch(bag, "https://bakery.example/beats.txt - data/beats.txt\n")
    assert any("has not been fetched yet" in finding.what for finding in verify(bag))
    away.rename(bag / "data" / "beats.txt")
    assert verify(bag) == []


@pytest.mark.parametrize(
    "line",
    [
        pytest.param(lambda digest, name: f"{digest.upper()}  {name}\n", id="19-upper-case-sum"),
        pytest.param(lambda digest, name: f"{digest} {name}\n", id="16-one-blank"),
        pytest.param(lambda digest, name: f"{digest} *{name}\n", id="16-md5sum-mark"),
        pytest.param(lambda digest, name: f"{digest}  ./{name}\n", id="16-leading-dot"),
        pytest.param(lambda digest, name: f"{digest}  {name}\r\n", id="16-cr-lf"),
    ],
)
def test_other_ways_to_write_a_manifest_are_valid(bag: Path, line: Callable[[str, str], str]) -> None:
    edit(bag, MANIFEST, lambda text: "".join(line(*entry.split("  ", 1)) for entry in text.splitlines()))
    assert verify(bag) == []
    assert bagit_accepts(bag)


@pytest.mark.parametrize("name", ["with a space.txt", "with%7Etilde.txt", "100%.txt", "Übung.txt"])
def test_a_name_with_odd_characters_comes_through(tmp_path: Path, name: str) -> None:
    """Rules 16 and 17: in manifests CR, LF and % are percent-encoded (RFC 8493, section 2.1.3; from memory)."""
    folder = recorded_folder(tmp_path / "recorded")
    (folder / name).write_text("warm", encoding="utf-8")
    bag = seal(folder, tmp_path / "bag", {}, SEALED_ON).path
    assert verify(bag) == []
    assert bagit_accepts(bag)
    flip_a_bit(bag / "data" / name)
    assert not is_valid(verify(bag))


def test_a_name_of_two_lines_in_a_bag_of_others_is_followed(tmp_path: Path) -> None:
    """Rule 17. We seal no such name ourselves."""
    folder = tmp_path / "evening"
    folder.mkdir()
    (folder / "two\nlines.txt").write_text("warm", encoding="utf-8")
    subprocess.run([sys.executable, BAGIT, "--quiet", "--sha256", folder], check=True, capture_output=True)
    assert "two%0Alines.txt" in (folder / MANIFEST).read_text(encoding="utf-8")
    assert verify(folder) == []
    flip_a_bit(folder / "data" / "two\nlines.txt")
    assert not is_valid(verify(folder))


def as_version(bag: Path, version: str) -> None:
    edit(bag, "bagit.txt", lambda text: text.replace("1.0", version))


def test_a_file_listed_twice_alike_was_allowed_before_the_standard(bag: Path) -> None:
    """Rule 7; for 1.0 it is among the faults above."""
    as_version(bag, "0.97")
    edit(bag, MANIFEST, lambda text: text + text.splitlines()[0] + "\n")
    assert is_valid(verify(bag))
    assert bagit_accepts(bag)


@pytest.mark.parametrize("version", ["0.97", "1.0"])
def test_a_file_listed_twice_with_two_checksums_is_invalid(bag: Path, version: str) -> None:
    """Rule 7."""
    as_version(bag, version)
    edit(bag, MANIFEST, lambda text: text + f"{SUM}  {text.splitlines()[0].split('  ', 1)[1]}\n")
    assert not is_valid(verify(bag))


def test_before_the_standard_one_full_manifest_was_enough(bag: Path) -> None:
    """Rule 6."""
    as_version(bag, "0.97")
    second_manifest_without_beats(bag)
    assert is_valid(verify(bag))
    assert bagit_accepts(bag)


def bare(bag: Path) -> None:
    (bag / "bag-info.txt").unlink()
    (bag / "tagmanifest-sha256.txt").unlink()


def in_encoding(bag: Path, encoding: str) -> None:
    edit(bag, "bagit.txt", lambda text: text.replace("UTF-8", encoding))
    for name in ("bag-info.txt", MANIFEST):
        text = (bag / name).read_text(encoding="utf-8") + ("Contact-Name: Jürgen\n" if name == "bag-info.txt" else "")
        (bag / name).write_bytes(text.encode(encoding))
    (bag / "tagmanifest-sha256.txt").unlink()


def with_a_bag_inside(bag: Path) -> None:
    inner = bag.parent / "inner"
    shutil.copytree(bag, inner)
    outer = bag.parent / "outer"
    outer.mkdir()
    inner.rename(outer / "inner")
    shutil.rmtree(bag)
    subprocess.run([sys.executable, BAGIT, "--quiet", "--sha256", outer], check=True, capture_output=True)
    outer.rename(bag)


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(bare, id="nothing but what must be"),
        pytest.param(with_a_bag_inside, id="a bag in a bag"),
        pytest.param(lambda bag: in_encoding(bag, "ISO-8859-1"), id="ISO-8859-1"),
        pytest.param(lambda bag: in_encoding(bag, "UTF-16"), id="UTF-16"),
    ],
)
def test_other_shapes_of_a_bag_are_valid(bag: Path, change: Callable[[Path], None]) -> None:
    """Rule 20."""
    change(bag)
    assert verify(bag) == []
    assert bagit_accepts(bag)


def test_repeated_elements_of_bag_info_are_valid_and_keep_their_order(tmp_path: Path) -> None:
    """Row 14."""
    info = {"Contact-Name": ["Jo Okafor", "Ida Brandt"]}
    sealed = seal(recorded_folder(tmp_path / "recorded"), tmp_path / "bag", info, SEALED_ON)
    assert verify(sealed.path) == []
    assert open_bag(sealed.path).info["Contact-Name"] == ("Jo Okafor", "Ida Brandt")


def test_names_that_are_one_name_on_other_disks_are_a_warning(bag: Path) -> None:
    """Row 21."""
    for name in (
        "Teig.txt",
        "teig.txt",
        unicodedata.normalize("NFD", "Öl.txt"),
        unicodedata.normalize("NFC", "Öl.txt"),
    ):
        (bag / "data" / name).write_text("x", encoding="utf-8")
    warned = [finding.what for finding in verify(bag) if finding.severity is Severity.WARNS]
    assert len(warned) == 2
    assert "data/Teig.txt and data/teig.txt are one name on many disks." in warned


def test_a_bag_sealed_with_a_broken_checksum_only_is_a_warning(tmp_path: Path) -> None:
    folder = tmp_path / "evening"
    folder.mkdir()
    (folder / "notes.txt").write_text("warm", encoding="utf-8")
    subprocess.run([sys.executable, BAGIT, "--quiet", "--md5", folder], check=True, capture_output=True)
    findings = verify(folder)
    assert is_valid(findings)
    assert [finding.severity for finding in findings] == [Severity.WARNS]


def unpacked_bags(into: Path) -> list[Path]:
    """Every bag that the bdbag package carries, unpacked or not."""
    source = bag_archives()
    for number, archive in enumerate(sorted(source.rglob("*"))):
        place = into / str(number)
        if archive.is_file() and zipfile.is_zipfile(archive):
            zipfile.ZipFile(archive).extractall(place)
        elif archive.is_file() and tarfile.is_tarfile(archive):
            with tarfile.open(archive) as packed:
                packed.extraction_filter = getattr(tarfile, "data_filter", None)  # Debian 12's Python has none yet
                packed.extractall(place)
    shutil.copytree(source, into / "plain")
    return sorted(Path(folder) for folder, _, names in os.walk(into) if "bagit.txt" in names)


def test_bags_made_by_others_get_the_verdict_that_the_bagit_command_gives(tmp_path: Path) -> None:
    bags = unpacked_bags(tmp_path)
    ours = {str(bag.relative_to(tmp_path)): is_valid(verify(bag)) for bag in bags}
    theirs = {str(bag.relative_to(tmp_path)): bagit_accepts(bag) for bag in bags}
    assert len(bags) >= 20
    assert ours == theirs
    assert 0 < sum(ours.values()) < len(bags)
