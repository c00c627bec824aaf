"""A graph is checked before anything plays: every fault at once, each with its place and mend."""

from __future__ import annotations

from pathlib import Path

import pytest

from residue.installation.load import read_piece
from residue.mapping.signals import FAST, SLOW, Kind
from residue.problems import Severity

WHOLE = """
title = "Night Dough"
outputs = ["left", "right"]
[node.arm]
kind = "channel"
channel = "forearm_left"
[node.effort]
kind = "envelope"
input = "arm"
attack_s = 0.05
release_s = 0.8
[node.heard]
kind = "sound"
input = "arm"
[node.loud]
kind = "gain"
input = "heard"
gain_db = { from = "effort", at = [0.0, 1.0], gives = [-30.0, 0.0] }
[node.out]
kind = "output"
input = "loud"
to = ["left", "right"]
[[section]]
name = "quiet hands"
ends = { signal = "effort", above = 0.6, for_s = 8 }
at_most_s = 150
"""


def faults_of(tmp_path: Path, text: str) -> list[str]:
    (tmp_path / "piece.toml").write_text(text, encoding="utf-8")
    graph, findings = read_piece(tmp_path / "piece.toml")
    stopping = [str(finding) for finding in findings if finding.severity is Severity.STOPS]
    assert (graph is None) == bool(stopping)
    return stopping


def test_a_whole_piece_becomes_a_graph_that_knows_what_it_needs(tmp_path: Path) -> None:
    (tmp_path / "piece.toml").write_text(WHOLE, encoding="utf-8")
    graph, findings = read_piece(tmp_path / "piece.toml")
    assert findings == []
    assert graph is not None
    assert graph.needs == {"forearm_left": {Kind.SLOW}}
    assert (graph.shapes["arm"], graph.shapes["heard"]) == (SLOW, FAST)
    assert graph.order.index("effort") < graph.order.index("loud")
    assert graph.order.index("effort") < graph.order.index("form")


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            'kind = "envelope"',
            'kind = "enevlope"',
            'piece.toml: node.effort.kind: There is no kind of node called "enevlope". Did you mean envelope?',
        ),
        (
            'kind = "envelope"',
            'kind = "contour"',
            'piece.toml: node.effort.kind: The kind of node "contour" has a new name. Write "rise_and_fall" instead.',
        ),
        (
            'input = "heard"',
            'input = "herd"',
            'piece.toml: node.loud.input: There is no node "herd". Did you mean heard?',
        ),
        (
            'from = "effort"',
            'from = "effrot"',
            'piece.toml: node.loud.gain_db.from: There is no node "effrot". Did you mean effort?',
        ),
        (
            "at = [0.0, 1.0]",
            "at = [1.0, 1.0]",
            "piece.toml: node.loud.gain_db.at: [1.0, 1.0] does not rise. Write its values in ascending order.",
        ),
        (
            "at = [0.0, 1.0]",
            "at = [0.0, nan]",
            "piece.toml: node.loud.gain_db.at[2]: nan is not a finite number. Write a finite number.",
        ),
        (
            "gives = [-30.0, 0.0]",
            "gives = [-inf, 0.0]",
            "piece.toml: node.loud.gain_db.gives[1]: -inf is not a finite number. Write a finite number.",
        ),
        (
            "gives = [-30.0, 0.0]",
            "gives = [-30.0]",
            "piece.toml: node.loud.gain_db: at and gives need the same length, two or more. "
            "Write one value in gives for each in at.",
        ),
        (
            "gives = [-30.0, 0.0]",
            "gives = [-30.0, 900.0]",
            "piece.toml: node.loud.gain_db.gives: 900 is out of range. Write a number of at most 60.0.",
        ),
        (
            'to = ["left", "right"]',
            'to = ["left", "rihgt"]',
            'piece.toml: node.out.to: The piece has no output "rihgt". Did you mean right?',
        ),
        (
            'signal = "effort"',
            'signal = "efort"',
            'piece.toml: section[1].ends.signal: There is no node "efort". Did you mean effort?',
        ),
        (
            'signal = "effort"',
            'signal = "heard"',
            'piece.toml: section[1].ends.signal: "heard" gives a signal that is fast, and this takes slow. '
            "Take the slow signal that this sound was made from.",
        ),
        (
            'outputs = ["left", "right"]',
            'outputs = ["left", "right", "left"]',
            'piece.toml: outputs: The output "left" is listed 2 times. Name each output once.',
        ),
        (
            "at_most_s = 150",
            'at_most_s = 150\nset = { "lud.gain_db" = 0.0 }',
            'piece.toml: section[1].set."lud.gain_db": There is no node "lud". Did you mean loud?',
        ),
        (
            "at_most_s = 150",
            'at_most_s = 150\nset = { "loud.gain_db" = 0.0 }',
            'piece.toml: section[1].set."loud.gain_db": loud.gain_db is driven by a signal already. '
            "Remove either the drive or the section's set.",
        ),
        (
            "attack_s = 0.05",
            "atack_s = 0.05",
            "piece.toml: node.effort.atack_s: This key is not known here. Did you mean attack_s?",
        ),
        (
            "[[section]]",
            '[node.x]\nkind = "pan"\ninput = "arm"\n[[section]]',
            'piece.toml: node.x.input: "arm" gives a signal that is slow, and this takes fast. '
            "Put a node of kind sound or control between them.",
        ),
    ],
)
def test_a_slip_is_told_with_its_place_and_mend(tmp_path: Path, old: str, new: str, message: str) -> None:
    assert old in WHOLE
    assert message in faults_of(tmp_path, WHOLE.replace(old, new))


def test_a_loop_is_told_by_its_way(tmp_path: Path) -> None:
    text = WHOLE.replace('input = "arm"\nattack_s', 'input = "late"\nattack_s')
    text += '[node.late]\nkind = "gain"\ninput = "effort"\ngain_db = 0\n'
    mend = "Cut it at one place, or lead it through a node of kind feedback."
    assert faults_of(tmp_path, text) in (
        [f"piece.toml: node: There is a loop: effort → late → effort. {mend}"],
        [f"piece.toml: node: There is a loop: late → effort → late. {mend}"],
    )


def test_a_section_may_not_set_what_its_ending_depends_on(tmp_path: Path) -> None:
    text = WHOLE.replace('input = "arm"\nattack_s', 'input = "louder"\nattack_s')
    text = text.replace("at_most_s = 150", 'at_most_s = 150\nset = { "louder.gain_db" = 3.0 }')
    text = text.replace("[[section]]", '[node.louder]\nkind = "gain"\ninput = "arm"\ngain_db = 0\n[[section]]')
    (fault,) = faults_of(tmp_path, text)
    assert fault.startswith("piece.toml: node: There is a loop: ")
    assert "form" in fault


def test_all_faults_of_the_wiring_are_told_at_once(tmp_path: Path) -> None:
    text = WHOLE.replace('input = "heard"', 'input = "a"').replace('from = "effort"', 'from = "b"')
    text = text.replace('signal = "effort"', 'signal = "c"')
    assert len(faults_of(tmp_path, text)) == 3


def test_the_wiring_of_the_others_is_checked_beside_a_node_that_cannot_be_read(tmp_path: Path) -> None:
    text = WHOLE.replace('kind = "envelope"', 'kind = "envelop"').replace('input = "heard"', 'input = "herd"')
    text = text.replace("[[section]]", '[node.x]\nkind = "pan"\ninput = "arm"\n[[section]]')
    unknown, missing, unfit = faults_of(tmp_path, text)
    assert unknown.startswith("piece.toml: node.effort.kind: ")
    assert missing == 'piece.toml: node.loud.input: There is no node "herd". Did you mean heard?'
    assert unfit.startswith('piece.toml: node.x.input: "arm" gives a signal that is slow')


def test_an_output_that_a_node_which_cannot_be_read_may_feed_is_no_fault(tmp_path: Path) -> None:
    (fault,) = faults_of(tmp_path, WHOLE.replace('kind = "output"', 'kind = "outputs"'))
    assert fault.startswith("piece.toml: node.out.kind: ")


def test_the_nodes_are_checked_beside_a_fault_of_a_section(tmp_path: Path) -> None:
    text = WHOLE.replace("at_most_s = 150", "at_most_s = -150").replace('input = "heard"', 'input = "herd"')
    section, node = faults_of(tmp_path, text.replace("attack_s", "atack_s"))[::2]
    assert section.startswith("piece.toml: section[1].at_most_s: ")
    assert node == 'piece.toml: node.loud.input: There is no node "herd". Did you mean heard?'


def test_a_node_that_nothing_listens_to_is_pointed_out_but_stops_nothing(tmp_path: Path) -> None:
    spare = '[node.spare]\nkind = "gain"\ninput = "arm"\ngain_db = 0\n'
    (tmp_path / "piece.toml").write_text(WHOLE + spare, encoding="utf-8")
    graph, findings = read_piece(tmp_path / "piece.toml")
    assert graph is not None
    assert [str(finding) for finding in findings] == [
        "piece.toml: node.spare: No other node uses this one. Connect it, or remove it."
    ]


def test_an_output_that_nothing_feeds_stops_the_piece(tmp_path: Path) -> None:
    assert faults_of(tmp_path, WHOLE.replace('"left", "right"]\n[node', '"left", "right", "floor"]\n[node')) == [
        'piece.toml: outputs: Nothing feeds the output "floor". Add a node of kind output with to = ["floor"].'
    ]


def test_a_node_that_listens_to_one_that_is_wired_wrongly_hides_no_fault_and_adds_none(tmp_path: Path) -> None:
    text = WHOLE.replace('input = "arm"\nattack_s', 'input = "heard"\nattack_s')
    text += '[node.told]\nkind = "feed"\ninput = "effort"\naddress = "/feed/effort"\n'
    (fault,) = faults_of(tmp_path, text)
    assert fault.startswith("piece.toml: node.effort.input: ")
