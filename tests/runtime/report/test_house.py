"""Whatever file is broken, a report knows the caps of the room."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from residue.installation.load import load
from residue.problems import ProblemError
from residue.runtime.house.kept_files import found_in_force, kept
from residue.runtime.journal.caps_in_force import caps_said
from residue.runtime.journal.in_force_digest import digest_in_force
from residue.runtime.planning.preparation import sounding_outputs
from residue.runtime.report.house import house_of

NIGHT_DOUGH = Path(__file__).parents[3] / "archives" / "night-dough"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    copy = tmp_path / "hall"
    shutil.copytree(NIGHT_DOUGH, copy)
    return copy


def test_a_whole_installation_is_told_as_it_is(folder: Path) -> None:
    found, loaded = house_of(folder), load(folder)
    assert (found.title, list(found.outputs), found.broken) == ("Night Dough", loaded.piece.outputs, [])
    assert found.calendar is not None
    assert found.caps_said == caps_said(loaded.room.caps, sounding_outputs(loaded))
    assert found.mark == digest_in_force(loaded)


def test_the_digest_is_that_of_the_hours_in_the_curators_folder(folder: Path, tmp_path: Path) -> None:
    shared, room = tmp_path / "shared", folder / "room.toml"
    shared.mkdir()
    (folder / "hours.toml").rename(shared / "hours.toml")
    room.write_text(f'{room.read_text()}\n[hours_folder]\npath = "{shared}"\n')
    assert house_of(folder).mark == digest_in_force(load(folder))


@pytest.mark.parametrize("name", ["piece.toml", "hours.toml"])
def test_a_broken_file_is_named_and_stops_nothing(folder: Path, name: str) -> None:
    (folder / name).write_text("the ovens are cold")
    found = house_of(folder)
    assert [finding.where.split(":")[0] for finding in found.broken] == [name]
    assert list(found.outputs) == ["left", "right", "floor"]
    assert (found.calendar is None) == (name == "hours.toml")


def test_a_bag_that_is_gone_is_named_and_the_hours_are_known(folder: Path) -> None:
    shutil.rmtree(folder / "performances" / "first-batch")
    found = house_of(folder)
    assert "There is no performance" in str(found.broken[0])
    assert found.calendar is not None


def test_what_is_in_force_counts_before_what_stands_in_the_folder(folder: Path, tmp_path: Path) -> None:
    """Such as a room.toml with higher caps that nobody has started with."""
    kept(load(folder), tmp_path / "state")
    (folder / "room.toml").write_text("the ovens are cold")
    found = house_of(folder, found_in_force(folder, tmp_path / "state"))
    loaded = load(NIGHT_DOUGH)
    assert found.caps_said == caps_said(loaded.room.caps, sounding_outputs(loaded))
    assert found.broken == []
    with pytest.raises(ProblemError, match=r"room\.toml"):
        house_of(folder)
