"""Blocks that are computed some at a time are those that are computed one by one: to the bit, in all that is told."""

from __future__ import annotations

from pathlib import Path

import pytest

from residue.installation.load import read_piece
from residue.mapping.ahead import PlayedAhead
from residue.mapping.graph import Graph
from residue.mapping.playback import Playback, Played
from residue.mapping.signals import Events, Signal
from tests.mapping.test_playback import PIECE, kneading


@pytest.fixture
def graph(tmp_path: Path) -> Graph:
    """With the envelope as a reading of the body."""
    path = tmp_path / "piece.toml"
    path.write_text(PIECE, encoding="utf-8")
    found, findings = read_piece(path)
    assert found is not None, findings
    assert found.body
    return found


def bits(signal: Signal) -> bytes:
    if isinstance(signal, Events):
        return signal.frames.tobytes() + signal.values.tobytes()
    return signal.tobytes()


def alike(one: Played, other: Played) -> bool:
    told = [(step.span, step.section, step.ended, step.readings, step.outputs.tobytes()) for step in (one, other)]
    return told[0] == told[1] and {name: bits(one.signals[name]) for name in one.signals} == {
        name: bits(other.signals[name]) for name in other.signals
    }


@pytest.mark.parametrize(("frames", "blocks", "from_frame"), [(4_800, 3, 0), (1_001, 5, 0), (4_800, 3, 33_600)])
def test_each_block_is_as_if_it_was_computed_alone(graph: Graph, frames: int, blocks: int, from_frame: int) -> None:
    """Through two sections, the fade after them and the end."""
    performance = kneading(5.0)
    one_by_one, several = (Playback(graph, performance, performance.frames, "") for _ in range(2))
    ahead = PlayedAhead(several, blocks)
    one_by_one.skip_to(from_frame)
    ahead.skip_to(from_frame)
    sections = set()
    for _ in range((performance.frames - from_frame) // frames + 2):
        assert ahead.position == one_by_one.position
        expected, given = one_by_one.step(frames), ahead.step(frames)
        sections.add(given.section)
        if one_by_one.end > expected.span.start:
            assert alike(given, expected)
        else:
            assert given.ended
            assert not given.outputs.any()
    assert len(sections) >= 2


def test_a_block_that_does_not_fit_is_refused(graph: Graph) -> None:
    performance = kneading(1.0)
    ahead = PlayedAhead(Playback(graph, performance, performance.frames, ""), 3)
    ahead.step(1_000)
    ahead.step(1_000)
    with pytest.raises(ValueError, match="do not fill"):
        ahead.step(1_001)
    assert ahead.step(1_000).span.stop == 3_000
