"""What an edit reaches, and what it leaves: only then a state of before may be gone on from."""

from __future__ import annotations

from pathlib import Path

import pytest

from residue.installation.load import read_piece
from residue.mapping.form import FORM
from residue.mapping.lineage import Lineages, lineages

PIECE = """
title = "Loaf"
outputs = ["left"]
closing_fade_s = 2

[node.arm]
kind = "channel"
channel = "arm"

[node.strain]
kind = "envelope"
input = "arm"
attack_s = 0.05
release_s = 0.5

[node.sound]
kind = "sound"
input = "arm"

[node.mass]
kind = "mix"
input = ["sound", "back"]

[node.back]
kind = "feedback"
input = "mass"
delay_s = 0.5
gain_db = -6.0

[node.dull]
kind = "lowpass"
input = "sound"
cutoff_hz = { from = "strain", at = [0.0, 1.0], gives = [100.0, 900.0] }

[node.quiet]
kind = "gain"
input = "dull"
gain_db = -3.0

[node.out]
kind = "output"
input = "quiet"
to = ["left"]

[node.out_too]
kind = "output"
input = "mass"
to = ["left"]

[[section]]
name = "flour"
ends = { signal = "strain", above = 0.5 }
at_most_s = 10

[[section]]
name = "dough"
at_most_s = 10
set = { "quiet.gain_db" = -6.0 }
"""
EVERY = {"arm", "strain", "sound", "mass", "back", "dull", "quiet", "out", "out_too", "form"}
AFTER_STRAIN = {"strain", "dull", "quiet", "out", "form"}


def of(folder: Path, text: str) -> Lineages:
    (folder / "piece.toml").write_text(text, encoding="utf-8")
    graph, findings = read_piece(folder / "piece.toml")
    assert graph is not None, findings
    return lineages(graph, folder)


def changed(folder: Path, old: str, new: str, begun: int) -> set[str]:
    """The nodes that an edit reaches while so many sections have begun."""
    assert old in PIECE
    before, after = of(folder, PIECE)[begun], of(folder, PIECE.replace(old, new))[begun]
    return {name for name in after if after[name] != before.get(name)}


@pytest.mark.parametrize(
    ("old", "new", "begun", "reached"),
    [
        pytest.param("gain_db = -3.0", "gain_db = -4.0", 1, {"quiet", "out"}, id="a number, before it is set"),
        pytest.param("gain_db = -3.0", "gain_db = -4.0", 2, {"quiet", "out", "form"}, id="a number that was set"),
        pytest.param("release_s = 0.5", "release_s = 0.6", 1, AFTER_STRAIN, id="before a drive and an ending"),
        pytest.param("gives = [100.0", "gives = [110.0", 1, {"dull", "quiet", "out"}, id="a drive"),
        pytest.param("delay_s = 0.5", "delay_s = 0.6", 1, {"back", "mass", "out_too"}, id="a loop"),
        pytest.param('gain_db" = -6.0', 'gain_db" = -9.0', 1, set(), id="a section to come"),
        pytest.param('gain_db" = -6.0', 'gain_db" = -9.0', 2, {"form", "quiet", "out"}, id="the present section"),
        pytest.param('channel = "arm"', 'channel = "leg"', 1, EVERY, id="a channel"),
        pytest.param('title = "Loaf"', 'title = "Bun"', 1, EVERY, id="the title, which seeds chance"),
        pytest.param("closing_fade_s = 2", "closing_fade_s = 3", 1, set(), id="the closing fade"),
    ],
)
def test_an_edit_reaches_what_listens_to_it(tmp_path: Path, old: str, new: str, begun: int, reached: set[str]) -> None:
    assert changed(tmp_path, old, new, begun) == reached


def test_a_node_that_a_section_sets_is_another_one_than_before(tmp_path: Path) -> None:
    """A filter whose cutoff may move is made otherwise than one whose cutoff stands still."""
    more = '\n[[section]]\nname = "crust"\nat_most_s = 10\nset = { "back.gain_db" = -1.0 }\n'
    before, after = of(tmp_path, PIECE), of(tmp_path, PIECE + more)
    assert {name for name in after[1] if after[1][name] != before[1][name]} == {"mass", "back", "out_too"}
    assert after[1][FORM] == before[1][FORM]


def test_a_form_that_has_ended_is_none_that_goes_on(tmp_path: Path) -> None:
    before = of(tmp_path, PIECE)
    after = of(tmp_path, PIECE + '\n[[section]]\nname = "crust"\nat_most_s = 10\n')
    assert before[3][FORM] not in [keys[FORM] for keys in after]
    assert before[2][FORM] == after[2][FORM]
