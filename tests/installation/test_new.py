from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner

from residue.cli import main
from residue.installation.load import load, read_room, read_sensors
from residue.installation.new import new_installation
from residue.installation.shapes import SHAPES
from residue.problems import ProblemError

ARCHIVES = Path(__file__).parents[2] / "archives"
PIECES = [None, ARCHIVES / "night-dough", ARCHIVES / "oven-watch" / "piece.toml"]


def test_each_shape_has_a_template_and_each_template_is_a_shape() -> None:
    templates = Path(__file__).parents[2] / "residue" / "installation" / "templates"
    assert {path.stem for path in templates.iterdir()} == set(SHAPES)


@pytest.mark.parametrize("shape", SHAPES)
def test_only_what_a_person_must_bring_is_missing(tmp_path: Path, shape: str) -> None:
    new_installation(tmp_path / "new", shape=shape)
    with pytest.raises(ProblemError) as missing:
        load(tmp_path / "new")
    assert [finding.where for finding in missing.value.findings] == ["hours.toml: programme.performances"]


@pytest.mark.parametrize("piece", PIECES, ids=["muscle", "folder", "file"])
def test_a_room_has_the_outputs_and_the_sensors_have_the_channels_of_the_piece(
    tmp_path: Path, piece: Path | None
) -> None:
    new_installation(tmp_path / "new", piece=piece)
    room, findings = read_room(tmp_path / "new" / "room.toml")
    outputs = tomllib.loads((tmp_path / "new" / "piece.toml").read_text(encoding="utf-8"))["outputs"]
    assert room is not None
    assert findings == []
    assert list(room.output) == outputs
    assert all(output.calibration is None for output in room.output.values()), "nothing is calibrated by inventing it"
    sensors, findings = read_sensors(tmp_path / "new")
    assert sensors is not None
    assert findings == []


def test_names_in_any_script_stand_in_the_new_files(tmp_path: Path) -> None:
    piece = tmp_path / "piece.toml"
    text = (ARCHIVES / "oven-watch" / "piece.toml").read_text(encoding="utf-8")
    output = tomllib.loads(text)["outputs"][0]
    channel = next(node["channel"] for node in tomllib.loads(text)["node"].values() if node["kind"] == "channel")
    for plain, other in ((output, "oven \U0001f956"), (channel, "chest \U0001fac0")):
        text = text.replace(f'"{plain}"', f'"{other}"')
    piece.write_text(text, encoding="utf-8")
    new_installation(tmp_path / "new", piece=piece)
    room, sensors = (tomllib.loads((tmp_path / "new" / f"{name}.toml").read_text()) for name in ("room", "sensors"))
    assert "oven \U0001f956" in room["output"]
    assert "chest \U0001fac0" in sensors["channel"]


def test_a_folder_that_holds_something_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("rye", encoding="utf-8")
    told = CliRunner().invoke(main, ["new", str(tmp_path)])
    assert told.exit_code == 1
    assert "Something exists there already. Name a folder that is new or empty." in told.output
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


def test_a_piece_with_a_fault_is_told_and_nothing_is_written(tmp_path: Path) -> None:
    (tmp_path / "piece.toml").write_text('title = "Rye"\noutputs = ["left"]\n', encoding="utf-8")
    told = CliRunner().invoke(main, ["new", str(tmp_path / "new"), "--piece", str(tmp_path / "piece.toml")])
    assert told.exit_code == 1
    assert "piece.toml: " in told.output
    assert not (tmp_path / "new").exists()
