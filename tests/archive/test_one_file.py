"""A bag in one file: as other programs read it, and from strangers."""

from __future__ import annotations

import stat
import zipfile
from collections.abc import Callable
from datetime import date
from pathlib import Path

import bagit
import pytest

from residue.archive.fixity import verify
from residue.archive.one_file import read_from_one_file, write_in_one_file
from residue.problems import Finding, ProblemError

DAY = date(2026, 3, 1)
LAST_FILE = 0.9
"""From there on of its bytes there is only the directory, whose size is that of five names."""
PAYLOAD = {"notes/Brötchen.txt": b"two rolls", "dough.bin": bytes(range(256)) * 40}


def written(folder: Path) -> Path:
    """A small package, one file of which comes from the disk."""
    folder.mkdir(exist_ok=True)
    (folder / "flour").write_bytes(b"flour" * 1_000)
    out = folder / "dough.zip"
    write_in_one_file(out, "dough", {**PAYLOAD, "flour": folder / "flour"}, {"Source-Organization": "Bakery"}, DAY)
    return out


def unpacked(file: Path, into: Path) -> Path:
    into.mkdir()
    read_from_one_file(file, into)
    return into


def test_it_is_a_bag_for_another_library_and_an_archive_for_another_program(tmp_path: Path) -> None:
    """Source: RFC 8493, by the bagit library; the ZIP format by Python's zipfile, with its own check sums."""
    file = written(tmp_path)
    with zipfile.ZipFile(file) as archive:
        assert archive.testzip() is None
        archive.extractall(tmp_path / "elsewhere")
    bag = bagit.Bag(str(tmp_path / "elsewhere" / "dough"))
    assert bag.is_valid()
    assert bag.info["Source-Organization"] == "Bakery"
    assert bag.info["Payload-Oxum"] == f"{9 + 256 * 40 + 5_000}.3"


def test_what_is_read_back_is_what_was_written_without_rights_to_run(tmp_path: Path) -> None:
    (tmp_path / "flour").touch(mode=0o755)
    into = unpacked(written(tmp_path), tmp_path / "into")
    assert verify(into) == []
    assert {path.relative_to(into / "data").as_posix() for path in (into / "data").rglob("*") if path.is_file()} == {
        *PAYLOAD,
        "flour",
    }
    assert (into / "data" / "dough.bin").read_bytes() == PAYLOAD["dough.bin"]
    assert not any(path.stat().st_mode & 0o111 for path in into.rglob("*") if path.is_file())


def test_the_same_bag_gives_the_same_bytes(tmp_path: Path) -> None:
    (tmp_path / "later").mkdir()
    assert written(tmp_path).read_bytes() == written(tmp_path / "later").read_bytes()


def test_a_name_that_no_bag_can_hold_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    with pytest.raises(ProblemError, match="other systems cannot store"):
        write_in_one_file(tmp_path / "out.zip", "out", {"a\nb": b""}, {}, DAY)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("at", [0.02, 0.2, 0.4, 0.6, 0.8, 0.9, 0.97, 0.995])
def test_a_flipped_bit_is_told_wherever_it_is(tmp_path: Path, at: float) -> None:
    file = written(tmp_path)
    content = bytearray(file.read_bytes())
    content[int(len(content) * at)] ^= 0x10
    file.write_bytes(content)
    told = findings(file, tmp_path / "into")
    if not told:
        with zipfile.ZipFile(file) as archive, zipfile.ZipFile(written(tmp_path / "again")) as before:
            assert all(archive.read(name) == before.read(name) for name in before.namelist()), "such as a time"
    assert told or at > LAST_FILE, "only the directory at the end holds what is no part of any file"


def findings(file: Path, into: Path) -> tuple[Finding, ...]:
    """What is wrong with a file, when it is read and when its checksums are compared."""
    try:
        return tuple(verify(unpacked(file, into)))
    except ProblemError as error:
        return error.findings


def entry(name: str, **given: int) -> zipfile.ZipInfo:
    made = zipfile.ZipInfo(name)
    for key, value in given.items():
        setattr(made, key, value)
    return made


def archive_of(*entries: tuple[zipfile.ZipInfo, bytes]) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        with zipfile.ZipFile(path, "w") as archive:
            for made, content in entries:
                archive.writestr(made, content)

    return write


def patched(name: bytes, by: bytes) -> Callable[[Path], None]:
    """An archive in which a name is replaced by one that the library would not write."""

    def write(path: Path) -> None:
        archive_of((entry(f"dough/{name.decode()}"), b"x"))(path)
        path.write_bytes(path.read_bytes().replace(name, by))

    return write


def overlapping(path: Path) -> None:
    """Two entries that share their bytes, each as long as the archive: a bomb without compression.

    Source: D. Fifield, A better zip bomb, USENIX WOOT 2019.
    """
    archive_of((entry("dough/a"), b"x" * 5_000))(path)
    with zipfile.ZipFile(path, "a") as archive:
        twin = entry("dough/b", header_offset=archive.filelist[0].header_offset)
        for key in ("CRC", "compress_size", "file_size"):
            setattr(twin, key, getattr(archive.filelist[0], key))
        archive.filelist.append(twin)
        archive._didModify = True  # type: ignore[attr-defined]  # so that it writes the directory again


def encrypted(path: Path) -> None:
    """The bit that says so, in both headers. Source: APPNOTE.TXT, 4.4.4, bit 0."""
    archive_of((entry("dough/a"), b"x"))(path)
    content = bytearray(path.read_bytes())
    content[content.index(b"PK\x03\x04") + 6] |= 1
    content[content.index(b"PK\x01\x02") + 8] |= 1
    path.write_bytes(content)


def truncated(path: Path) -> None:
    archive_of((entry("dough/a"), b"x" * 1_000))(path)
    path.write_bytes(path.read_bytes()[:500])


def no_archive(path: Path) -> None:
    path.write_text("flour", encoding="utf-8")


HOSTILE: dict[str, tuple[Callable[[Path], None], str]] = {
    "out of the folder": (archive_of((entry("dough/../../escaped"), b"x")), "does not stay in its folder"),
    "from the root": (archive_of((entry("/tmp/escaped"), b"x")), "does not stay in its folder"),
    "with a backslash": (patched(b"aaaa", b"..\\a"), "does not stay in its folder"),
    "with a zero byte": (patched(b"aaa", b"a\0a"), "does not stay in its folder"),
    "a name too long": (archive_of((entry(f"dough/{'a' * 256}"), b"x")), "does not stay in its folder"),
    "folders too deep": (archive_of((entry("dough/" + "a/" * 70 + "a"), b"x")), "does not stay in its folder"),
    "without a folder": (archive_of((entry("escaped"), b"x")), "does not stay in its folder"),
    "a link": (
        archive_of((entry("dough/a", external_attr=(stat.S_IFLNK | 0o777) << 16), b"/etc/passwd")),
        "is a link or a device",
    ),
    "a device": (archive_of((entry("dough/a", external_attr=(stat.S_IFCHR | 0o666) << 16), b"")), "link or a device"),
    "compressed": (archive_of((entry("dough/a", compress_type=zipfile.ZIP_DEFLATED), b"0" * 10**7)), "is compressed"),
    "overlapping": (overlapping, "larger together than it is itself"),
    "encrypted": (encrypted, "is encrypted"),
    "twice the same name": (archive_of((entry("dough/a"), b"1"), (entry("dough/a"), b"2")), "two files of one name"),
    "a file as a folder": (archive_of((entry("dough/a"), b"1"), (entry("dough/a/b"), b"2")), "a file and a folder"),
    "two folders": (archive_of((entry("dough/a"), b"1"), (entry("bread/a"), b"2")), "more than one folder"),
    "empty": (archive_of(), "It is empty"),
    "cut short": (truncated, "It is damaged, or not a package"),
    "no archive": (no_archive, "It is damaged, or not a package"),
}


@pytest.mark.parametrize(("make", "told"), HOSTILE.values(), ids=HOSTILE)
@pytest.mark.filterwarnings("ignore:Duplicate name:UserWarning")
def test_what_no_package_has_is_refused_with_one_message_and_nothing_is_written(
    tmp_path: Path, make: Callable[[Path], None], told: str
) -> None:
    file = tmp_path / "from" / "strangers.zip"
    file.parent.mkdir()
    make(file)
    with pytest.raises(ProblemError, match=told) as caught:
        unpacked(file, tmp_path / "into")
    assert len(caught.value.findings) == 1
    assert sorted(tmp_path.rglob("*")) == [file.parent, file, tmp_path / "into"]


def test_a_package_larger_than_the_disk_is_refused_before_it_fills_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    full = type("Usage", (), {"free": 10})
    monkeypatch.setattr("residue.archive.one_file.shutil.disk_usage", lambda _: full)
    with pytest.raises(ProblemError, match="It needs 0 MB, and 0 MB are free"):
        unpacked(written(tmp_path), tmp_path / "into")
    assert list((tmp_path / "into").iterdir()) == []
