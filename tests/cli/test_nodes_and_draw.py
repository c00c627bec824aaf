"""The commands by which an artist finds a way through nodes and pieces."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from residue.cli import main
from residue.mapping.nodes import FORMER_NAMES, KINDS

NIGHT_DOUGH = str(Path(__file__).parents[2] / "archives" / "night-dough")


def test_nodes_are_listed_each_with_what_it_does() -> None:
    found = CliRunner().invoke(main, ["nodes"])
    assert found.exit_code == 0
    listed = {line.split()[0] for line in found.stdout.splitlines() if line.startswith("  ")}
    assert listed == set(KINDS)


@pytest.mark.parametrize(
    "said",
    [
        "Places a sound between two channels: -1 left, 0 centre, 1 right; the power stays the same.",
        "listens by  input (fast)",
        "gives       Two channels of sound.",
        "position  -1 to 1; 0.0 if not given; may be driven; -1 left to 1 right",
    ],
)
def test_one_kind_is_told_with_inputs_output_latency_and_parameters(said: str) -> None:
    assert said in CliRunner().invoke(main, ["nodes", "pan"]).stdout


def test_a_kind_that_there_is_not_is_told_with_the_nearest() -> None:
    found = CliRunner().invoke(main, ["nodes", "reverberaton"])
    assert found.exit_code == 1
    assert found.stderr == (
        'residue nodes: There is no kind of node called "reverberaton". Did you mean reverberation?\n'
    )


def test_a_kind_that_has_a_new_name_is_told_with_it() -> None:
    assert set(FORMER_NAMES.values()) <= set(KINDS)
    found = CliRunner().invoke(main, ["nodes", "murmur"])
    assert found.exit_code == 1
    assert found.stderr == 'residue nodes: The kind of node "murmur" has a new name. Write "muscle_voice" instead.\n'


def test_a_piece_is_drawn_into_a_file(tmp_path: Path) -> None:
    out = tmp_path / "night-dough.svg"
    assert CliRunner().invoke(main, ["draw", NIGHT_DOUGH, "--out", str(out)]).exit_code == 0
    assert out.read_text(encoding="utf-8").startswith("<svg")


def test_a_picture_that_cannot_be_written_is_told_in_a_sentence(tmp_path: Path) -> None:
    out = tmp_path / "missing" / "night-dough.svg"
    found = CliRunner().invoke(main, ["draw", NIGHT_DOUGH, "--out", str(out)])
    assert (found.exit_code, found.stderr.count("It is not there.")) == (1, 1)


def test_a_picture_of_a_kind_that_it_is_not_is_refused(tmp_path: Path) -> None:
    out = tmp_path / "night-dough.png"
    found = CliRunner().invoke(main, ["draw", NIGHT_DOUGH, "--out", str(out)])
    assert found.exit_code == 2
    assert "night-dough.png' does not end in .svg." in found.output
    assert not out.exists()
