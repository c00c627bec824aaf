"""A piece alone is enough to work on; what people are exposed to still needs every file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from residue.cli import main
from residue.installation.drafts import draft, sketch, stage
from residue.installation.load import load
from residue.problems import ProblemError, Severity
from tests.runtime.kitchen import HOURS, build

UNWIRED = '\n[node.later]\nkind = "gain"\ngain_db = -3.0\n'
LATER_OUT = '\n[node.later_out]\nkind = "output"\ninput = "later"\nto = ["left"]\n'


@pytest.fixture
def piece_alone(tmp_path: Path) -> Path:
    """An installation with a piece and two performances, and no other file."""
    folder = build(tmp_path, 9_000, duration_s=3.0)
    (folder / "room.toml").unlink()
    (folder / "hours.toml").unlink()
    return folder


def told(*arguments: str | Path) -> str:
    found = CliRunner().invoke(main, [str(one) for one in arguments], catch_exceptions=False)
    assert found.exit_code == 0, found.stderr
    return found.stderr


def test_a_piece_alone_renders_and_says_in_a_line_each_what_is_taken_instead(
    piece_alone: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    lines = told("render", piece_alone, "--performance", "first-batch", "--out", tmp_path / "out.wav")
    assert "room.toml: There is none. This is for an uncalibrated room of defaults: LZeq over 1 min at most" in lines
    assert "hours.toml: There is none. The plan takes first-batch alone" in lines
    sound, rate_hz = soundfile.read(tmp_path / "out.wav")
    assert (rate_hz, sound.shape[1]) == (48_000, 2)
    assert np.abs(sound).max() > 0.001


@pytest.mark.parametrize(
    "command",
    [
        pytest.param(["render", "--performance", "first-batch", "--before-cap", "--out", "made.wav"], id="render"),
        pytest.param(["trace", "--performance", "first-batch", "--signal", "murmur", "--out", "made.csv"], id="trace"),
        pytest.param(["draw", "--out", "made.svg"], id="draw"),
    ],
)
def test_what_has_no_room_in_it_asks_for_none_and_says_nothing(
    piece_alone: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: list[str]
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.chdir(tmp_path)
    assert "toml" not in told(command[0], piece_alone, *command[1:])
    assert list(tmp_path.glob("made.*"))


def test_a_node_without_an_input_is_left_out_with_a_warning(piece_alone: Path) -> None:
    with (piece_alone / "piece.toml").open("a", encoding="utf-8") as file:
        file.write(UNWIRED)
    graph, findings = sketch(piece_alone)
    assert "later" not in graph.nodes
    assert [(one.severity, one.where) for one in findings] == [(Severity.WARNS, "piece.toml: node.later.input")]


def test_what_listens_to_such_a_node_stops(piece_alone: Path) -> None:
    with (piece_alone / "piece.toml").open("a", encoding="utf-8") as file:
        file.write(UNWIRED + LATER_OUT)
    with pytest.raises(ProblemError, match=r'node\.later_out\.input: There is no node "later"'):
        sketch(piece_alone)


def test_an_output_that_nothing_feeds_yet_is_a_warning(piece_alone: Path) -> None:
    path = piece_alone / "piece.toml"
    path.write_text(path.read_text().replace('["left", "right"]', '["left", "right", "floor"]', 1), encoding="utf-8")
    _, [finding] = sketch(piece_alone)
    assert (finding.severity, finding.what) == (Severity.WARNS, 'Nothing feeds the output "floor".')


@pytest.mark.parametrize("fault", [UNWIRED, ""], ids=["an unwired node", "no hours"])
def test_a_house_opens_with_none_of_it(piece_alone: Path, tmp_path: Path, fault: str) -> None:
    whole = build(tmp_path / "whole", 9_000, duration_s=1.0)
    with (whole / "piece.toml").open("a", encoding="utf-8") as file:
        file.write(fault)
    if not fault:
        (whole / "hours.toml").unlink()
    with pytest.raises(ProblemError, match=r"node\.later\.input" if fault else r"hours\.toml: The file is missing"):
        load(whole)


def test_an_absent_performance_does_not_stop_the_work_on_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    folder = build(tmp_path, 9_000, duration_s=3.0)
    (folder / "hours.toml").write_text(HOURS.replace("second-batch", "third-batch"), encoding="utf-8")
    lines = told("render", folder, "--performance", "first-batch", "--out", tmp_path / "out.wav")
    assert 'hours.toml: programme.performances: There is no performance "third-batch"' in lines
    (folder / "hours.toml").write_text(HOURS, encoding="utf-8")
    (folder / "performances" / "second-batch" / "data" / "performance.toml").unlink()
    told("render", folder, "--performance", "first-batch", "--out", tmp_path / "out.wav")


def test_the_one_that_is_asked_for_must_be_there(piece_alone: Path, tmp_path: Path) -> None:
    arguments = ["render", piece_alone, "--performance", "third-batch", "--out", tmp_path / "out.wav"]
    found = CliRunner().invoke(main, [str(one) for one in arguments])
    assert found.exit_code == 1
    assert 'There is no performance "third-batch".' in found.stderr


def test_hours_that_are_there_count_for_the_gallery(tmp_path: Path) -> None:
    folder = build(tmp_path, 9_000, duration_s=1.0)
    assert draft(folder, "first-batch", gallery=True).hours == load(folder).hours
    assert draft(folder, "first-batch", gallery=True).room == load(folder).room
    assert draft(folder, "first-batch", gallery=False).played == ["first-batch"]


def test_a_first_evening_is_recorded_without_hours_and_never_without_caps(piece_alone: Path, tmp_path: Path) -> None:
    with pytest.raises(ProblemError, match=r"room\.toml: The file is missing"):
        stage(piece_alone)
    whole = build(tmp_path / "whole", 9_000, duration_s=1.0)
    (whole / "hours.toml").unlink()
    room = stage(whole).room
    (whole / "hours.toml").write_text(HOURS, encoding="utf-8")
    assert room == load(whole).room
