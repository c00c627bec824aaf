"""One node of a graph alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from residue.archive.in_memory import InMemoryPerformance
from residue.installation.load import read_piece
from residue.mapping.alone import alone
from residue.mapping.graph import Graph
from residue.mapping.playback import Playback
from residue.problems import ProblemError

PIECE = """
title = "Night Dough"
outputs = ["left", "right", "floor"]
closing_fade_s = 0.5
[node.arm]
kind = "channel"
channel = "forearm_left"
[node.heard]
kind = "sound"
input = "arm"
[node.hiss]
kind = "noise"
channels = 8
[node.quiet]
kind = "place"
input = "hiss"
outputs = 3
[node.side]
kind = "pan"
input = "heard"
position = -0.5
[node.beat]
kind = "onsets"
input = "arm"
threshold = 0.5
[node.tell]
kind = "feed"
input = "beat"
address = "/beat"
[node.out]
kind = "output"
input = "side"
to = ["left", "right"]
gain_db = -6.0
[node.quiet_out]
kind = "output"
input = "quiet"
to = ["left", "right", "floor"]
"""
ARM = np.random.default_rng(3).uniform(-1.0, 1.0, 4_000)
PERFORMANCE = InMemoryPerformance(frames=96_000, slow={"forearm_left": ARM})
FRAMES = 48_000


@pytest.fixture(scope="module")
def graph(tmp_path_factory: pytest.TempPathFactory) -> Graph:
    path = tmp_path_factory.mktemp("piece") / "piece.toml"
    path.write_text(PIECE, encoding="utf-8")
    graph, findings = read_piece(path)
    assert graph is not None, findings
    return graph


def outputs(graph: Graph) -> np.ndarray:
    return Playback(graph, PERFORMANCE, PERFORMANCE.frames, "").step(FRAMES).outputs


@pytest.mark.parametrize(
    ("name", "channels"),
    [("heard", [0, 0, 0]), ("side", [0, 1, None]), ("quiet", [0, 1, 2]), ("out", [0, 1, None])],
    ids=[
        "one channel on every output",
        "two channels on two outputs",
        "as many as outputs",
        "an output where it sends",
    ],
)
def test_a_node_alone_sounds_as_it_does_in_the_piece(graph: Graph, name: str, channels: list[int | None]) -> None:
    whole = Playback(graph, PERFORMANCE, PERFORMANCE.frames, "").step(FRAMES).signals[name]
    assert isinstance(whole, np.ndarray)
    assert np.abs(whole).max() > 0.1
    for output, channel in zip(outputs(alone(graph, name)), channels, strict=True):
        expected = np.zeros(FRAMES) if channel is None else whole[channel]
        assert np.array_equal(output, expected)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("arm", '"arm" gives a slow signal, which cannot be listened to. Trace it: residue trace … --signal arm.'),
        ("beat", '"beat" gives events, which cannot be listened to. Trace it: residue trace … --signal beat.'),
        ("hiss", '"hiss" has 8 channels, and the piece has 3 outputs. Listen to a node behind it'),
        ("sidde", 'There is no node "sidde". Did you mean side?'),
    ],
)
def test_what_cannot_be_listened_to_is_told(graph: Graph, name: str, said: str) -> None:
    with pytest.raises(ProblemError) as caught:
        alone(graph, name)
    assert said in str(caught.value)


REFERRING = {
    "a section": """
[[section]]
name = "all of it"
at_most_s = 10.0
set = { "out.gain_db" = -3.0 }
""",
    "a node": """
[node.under]
kind = "lowpass"
input = "out"
cutoff_hz = 200.0
[node.under_out]
kind = "output"
input = "under"
to = ["left", "right"]
""",
    "a loop": """
[node.back]
kind = "feedback"
input = "out"
channels = 2
delay_s = 0.1
[node.back_out]
kind = "output"
input = "back"
to = ["left", "right"]
""",
}


@pytest.mark.parametrize("referring", REFERRING)
def test_a_node_alone_sounds_where_something_refers_to_an_output_node(referring: str, tmp_path: Path) -> None:
    """The node that listens to it sounds as in the piece too."""
    path = tmp_path / "piece.toml"
    path.write_text(PIECE + REFERRING[referring], encoding="utf-8")
    graph, findings = read_piece(path)
    assert graph is not None, findings
    for name in {"side", "under", "back"} & graph.nodes.keys():
        whole = Playback(graph, PERFORMANCE, PERFORMANCE.frames, "").step(FRAMES).signals[name]
        assert isinstance(whole, np.ndarray)
        assert np.abs(whole).max() > 0.1
        assert np.array_equal(outputs(alone(graph, name))[:2], whole)


def test_the_graph_itself_is_left_as_it_was(graph: Graph) -> None:
    before = outputs(graph)
    alone(graph, "heard")
    assert np.array_equal(outputs(graph), before)
