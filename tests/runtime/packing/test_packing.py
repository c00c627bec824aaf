"""A package for another house: what is in it, and what is not."""

from __future__ import annotations

import os
import shutil
import tomllib
import zipfile
from datetime import UTC, date, datetime
from pathlib import Path

import bagit
import pytest
from click.testing import CliRunner

from residue.cli import main
from residue.installation.load import load
from residue.problems import ProblemError
from residue.runtime.packing.package import PackageFacts
from residue.runtime.packing.packing import PackedSeason, pack
from tests.runtime.logged_days import write_day
from tests.runtime.packing.house import NOW, SECRETS, house, packed

BELL = """
[node.slow_arm]
kind = "channel"
channel = "forearm"

[node.push]
kind = "envelope"
input = "slow_arm"

[node.grip]
kind = "onsets"
input = "push"
threshold = 0.3

[node.bell]
kind = "strike"
input = "grip"
recording = "../bell.wav"
"""


@pytest.fixture(scope="module")
def installation(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return house(tmp_path_factory.mktemp("house"))


@pytest.fixture(scope="module")
def package(installation: Path) -> tuple[Path, PackageFacts]:
    """With the report of a day on which somebody held the house."""
    log = installation.parent / "level-log.sqlite"
    write_day(log, datetime(2026, 3, 1, 9, 0, tzinfo=UTC), 500)
    season = PackedSeason(log=log, in_force=None, first=date(2026, 3, 1), last=date(2026, 3, 1))
    out = installation.parent / "dough.zip"
    return out, packed(installation, out, season)


def contents(file: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(file) as archive:
        return {name.partition("/data/")[2]: archive.read(name) for name in archive.namelist() if "/data/" in name}


def test_it_is_a_valid_bag_with_all_that_the_piece_needs(package: tuple[Path, PackageFacts], tmp_path: Path) -> None:
    """Source: RFC 8493, by the bagit library."""
    with zipfile.ZipFile(package[0]) as archive:
        archive.extractall(tmp_path)
    assert bagit.Bag(str(tmp_path / "dough")).is_valid()
    inner = tmp_path / "dough" / "data" / "installation" / "performances"
    assert [bagit.Bag(str(inner / name)).is_valid() for name in ("first-batch", "second-batch")] == [True, True]
    names = {name for name in contents(package[0]) if "performances/" not in name}
    assert names == {
        *("package.toml", "cautions.txt", "installation/piece.toml", "before/room.toml", "before/hours.toml"),
        *("fingerprints/first-batch.toml", "fingerprints/second-batch.toml"),
        *("before/season/days.txt", "before/season/days.csv", "before/season/caps.csv", "before/season/planned.csv"),
    }


def test_nothing_private_is_in_it(package: tuple[Path, PackageFacts]) -> None:
    content = package[0].read_bytes()
    assert [secret for secret in (*SECRETS, "10.0.0.7") if secret.encode() in content] == []


def test_what_was_left_out_is_listed(package: tuple[Path, PackageFacts]) -> None:
    assert package[1].left_out == [
        "room.toml: control (who may command the house, and with which key)",
        "room.toml: equipment (addresses and passwords of equipment)",
        "room.toml: notice (who is told of faults, and by which way)",
        "room.toml: measurement.serial",
        "room.toml: measurement.by",
        "room.toml: comments",
        "hours.toml: private_view (it may name people)",
        "hours.toml: comments",
        "notes.txt (the piece does not name it)",
        "the level log (it may name people)",
    ]
    assert tomllib.loads(contents(package[0])["package.toml"].decode())["left_out"] == package[1].left_out


def test_the_room_before_tells_what_was_measured_there(package: tuple[Path, PackageFacts]) -> None:
    room = tomllib.loads(contents(package[0])["before/room.toml"].decode())
    assert room["output"]["left"]["calibration"]["read_dba"] == 84.0
    assert room["measurement"] == {"meter_class": 2}
    assert room["cap"] == [{"rule": "who-2022"}, {"quantity": "LCeq", "window_s": 300, "limit_db": 92.0}]


def test_the_season_is_told_without_people(package: tuple[Path, PackageFacts]) -> None:
    days = contents(package[0])["before/season/days.txt"].decode()
    assert days.startswith("Sun 2026-03-01: open for 24.0 h by the hours")
    assert "Wishes of people: 3." in days


def test_the_same_installation_gives_the_same_bytes(installation: Path, tmp_path: Path) -> None:
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        packed(installation, tmp_path / name / "dough.zip")
    assert (tmp_path / "one" / "dough.zip").read_bytes() == (tmp_path / "two" / "dough.zip").read_bytes()


def test_what_cannot_be_handed_on_stops_it_and_nothing_is_written(installation: Path, tmp_path: Path) -> None:
    broken = tmp_path / "broken"
    shutil.copytree(installation, broken)
    audio = broken / "performances" / "second-batch" / "data" / "arm.flac"
    content = bytearray(audio.read_bytes())
    content[len(content) // 2] ^= 1
    audio.write_bytes(content)
    shutil.copy(audio, tmp_path / "bell.wav")
    piece = broken / "piece.toml"
    piece.write_text(piece.read_text(encoding="utf-8") + BELL, encoding="utf-8")
    with pytest.raises(ProblemError) as caught:
        pack(load(broken), tmp_path / "dough.zip", tmp_path / "cache", NOW)
    outside, changed = map(str, caught.value.findings)
    assert 'The piece names "../bell.wav", which does not lie in the folder' in outside
    assert "data/arm.flac has changed since the bag was sealed" in changed
    assert not (tmp_path / "dough.zip").exists()


def test_the_command_tells_what_is_in_it_and_what_not(installation: Path, tmp_path: Path) -> None:
    words = ["pack", str(installation), "--out", str(tmp_path / "dough.zip")]
    shown = CliRunner().invoke(main, words, env={"XDG_CACHE_HOME": str(tmp_path / "cache")})
    assert shown.exit_code == 0
    assert shown.stdout.startswith("Short Dough: 2 performances, 0.")
    assert "- room.toml: control (who may command the house, and with which key)" in shown.stdout
    assert "residue unpack dough.zip --into FOLDER" in shown.stdout
    assert CliRunner().invoke(main, [*words[:-1], str(tmp_path / "dough.tar")]).exit_code == 2


def test_a_level_log_that_cannot_be_read_is_told(installation: Path, tmp_path: Path) -> None:
    log = tmp_path / "level-log.sqlite"
    log.mkdir()
    season = PackedSeason(log=log, in_force=None, first=date(2026, 3, 1), last=date(2026, 3, 1))
    with pytest.raises(ProblemError, match="The level log cannot be read"):
        packed(installation, tmp_path / "dough.zip", season)


def test_a_file_beside_whose_name_is_no_text_is_listed_as_text(installation: Path, tmp_path: Path) -> None:
    shutil.copytree(installation, tmp_path / "house")
    (tmp_path / "house" / os.fsdecode(b"more\xff.txt")).touch()
    facts = packed(tmp_path / "house", tmp_path / "dough.zip")
    assert "more\\xff.txt (the piece does not name it)" in facts.left_out


def test_the_folder_in_it_has_a_name_that_every_system_can_store(installation: Path, tmp_path: Path) -> None:
    packed(installation, tmp_path / "Brötchen: um 4.zip")
    with zipfile.ZipFile(tmp_path / "Brötchen: um 4.zip") as archive:
        assert {name.partition("/")[0] for name in archive.namelist()} == {"Br-tchen-um-4"}
