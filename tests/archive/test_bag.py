"""Sealing a performance and opening it again."""

from __future__ import annotations

import errno
from datetime import date
from pathlib import Path

import pytest

from residue.archive import bag as bag_module
from residue.archive.bag import open_bag, payload_digest, seal
from residue.problems import ProblemError
from tests.archive.bags import SEALED_ON, recorded_folder, sealed_bag


def contents(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_the_same_folder_and_date_give_the_same_bytes(tmp_path: Path) -> None:
    folder = recorded_folder(tmp_path / "recorded")
    info: dict[str, str | list[str]] = {
        "Source-Organization": "The bakery",
        "Contact-Name": ["Ida Brandt", "Jo Okafor"],
    }
    seal(folder, tmp_path / "one", info, SEALED_ON)
    seal(folder, tmp_path / "two", info, SEALED_ON)
    assert contents(tmp_path / "one") == contents(tmp_path / "two")


def test_the_payload_is_the_folder_to_the_byte_and_the_folder_stays(tmp_path: Path) -> None:
    folder = recorded_folder(tmp_path / "recorded")
    before = contents(folder)
    sealed = seal(folder, tmp_path / "bag", {}, SEALED_ON)
    assert contents(sealed.payload) == before == contents(folder)


def test_what_the_bag_says_of_itself_is_read_back(tmp_path: Path) -> None:
    folder = recorded_folder(tmp_path / "recorded")
    sealed = seal(folder, tmp_path / "bag", {"Contact-Name": ["Ida Brandt", "Jo\nOkafor"]}, date(2026, 5, 4))
    assert sealed.info["Contact-Name"] == ("Ida Brandt", "Jo Okafor")
    assert sealed.info["Bagging-Date"] == ("2026-05-04",)
    assert sealed.performance.title == "First Batch"


def test_the_digest_follows_the_payload_and_nothing_else(tmp_path: Path) -> None:
    folder = recorded_folder(tmp_path / "recorded")
    first = seal(folder, tmp_path / "one", {}, date(2026, 1, 1))
    second = seal(folder, tmp_path / "two", {"Contact-Name": "Jo Okafor"}, date(2027, 1, 1))
    (folder / "beats.txt").write_text("800\n", encoding="utf-8")
    third = seal(folder, tmp_path / "three", {}, date(2026, 1, 1))
    assert first.digest == second.digest == payload_digest(tmp_path / "one") != third.digest
    assert len(first.digest) == 64


def test_progress_reaches_the_whole(tmp_path: Path) -> None:
    told: list[tuple[str, int, int]] = []
    folder = recorded_folder(tmp_path / "recorded")
    seal(folder, tmp_path / "bag", {}, SEALED_ON, lambda *told_now: told.append(told_now))
    done = [done for _, done, _ in told]
    assert done == sorted(done)
    assert told[-1][1] == told[-1][2] == sum(len(content) for content in contents(folder).values())


@pytest.mark.parametrize(
    ("name", "told"),
    [
        pytest.param("arms\n.wav", "other systems cannot store", id="line break"),
        pytest.param("arms%0A.wav", "other systems cannot store", id="percent-encoded line break"),
        pytest.param("arms\x07.wav", "other systems cannot store", id="bell"),
    ],
)
def test_a_name_that_readers_decode_differently_is_refused(tmp_path: Path, name: str, told: str) -> None:
    folder = recorded_folder(tmp_path / "recorded")
    (folder / name).write_bytes(b"")
    with pytest.raises(ProblemError, match=told):
        seal(folder, tmp_path / "bag", {}, SEALED_ON)
    assert not (tmp_path / "bag").exists()


def test_a_link_in_the_folder_is_refused(tmp_path: Path) -> None:
    folder = recorded_folder(tmp_path / "recorded")
    (folder / "link.wav").symlink_to("/etc/hostname")
    with pytest.raises(ProblemError, match="link"):
        seal(folder, tmp_path / "bag", {}, SEALED_ON)


def test_nothing_that_exists_is_overwritten(tmp_path: Path) -> None:
    folder = recorded_folder(tmp_path / "recorded")
    (tmp_path / "bag").mkdir()
    with pytest.raises(ProblemError, match="exists there already"):
        seal(folder, tmp_path / "bag", {}, SEALED_ON)


def test_a_full_disk_half_way_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = recorded_folder(tmp_path / "recorded")
    copied: list[Path] = []

    def copy(source: Path, target: Path) -> str:
        copied.append(source)
        target.write_bytes(b"half")
        if len(copied) == 2:
            raise OSError(errno.ENOSPC, "No space left on device")
        return "0" * 64

    monkeypatch.setattr(bag_module, "_copy_hashing", copy)
    with pytest.raises(ProblemError, match="disk is full"):
        seal(folder, tmp_path / "bag", {}, SEALED_ON)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["recorded"]


def test_a_bag_whose_channel_is_a_link_out_of_it_gives_no_file(tmp_path: Path) -> None:
    sealed = sealed_bag(tmp_path)
    file = sealed.payload / "beats.txt"
    # A folder whose name begins like the bag's: the bagit library takes it for the bag itself.
    outside = tmp_path / f"{sealed.path.name}-2" / "beats.txt"
    outside.parent.mkdir()
    file.rename(outside)
    file.symlink_to(outside)
    with pytest.raises(ProblemError, match="leaves the bag"):
        open_bag(sealed.path).file_of("beats")
    file.unlink()
    with pytest.raises(ProblemError, match="missing from the bag"):
        open_bag(sealed.path).file_of("beats")


def test_a_folder_that_is_no_bag_is_told_so(tmp_path: Path) -> None:
    with pytest.raises(ProblemError, match="so it is not a bag"):
        open_bag(tmp_path)
    with pytest.raises(ProblemError, match="no such folder"):
        open_bag(tmp_path / "nowhere")


def test_a_bag_that_may_not_be_looked_into_is_not_told_to_be_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def denied(path: Path, **_: object) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(Path, "is_dir", lambda path: True)
    monkeypatch.setattr(Path, "stat", denied)  # root is denied nothing
    with pytest.raises(ProblemError, match="Permission is denied"):
        open_bag(tmp_path)
