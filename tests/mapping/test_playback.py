"""A performance on its way through the graph: the same to the bit however time is cut, and an end that is a fade."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from itertools import chain, cycle, islice, repeat
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.archive.in_memory import InMemoryPerformance
from residue.installation.load import read_piece
from residue.mapping.graph import Graph
from residue.mapping.playback import Playback
from tests.properties import tries

RATE_HZ = 48_000
TICKS = 2_000

PIECE = """
title = "Night Dough"
outputs = ["left", "floor"]
closing_fade_s = 0.5
[node.arm]
kind = "channel"
channel = "forearm_left"
[node.effort]
kind = "envelope"
input = "arm"
attack_s = 0.02
release_s = 0.2
[node.heard]
kind = "sound"
input = "arm"
[node.loud]
kind = "gain"
input = "heard"
gain_db = { from = "effort", at = [0.0, 1.0], gives = [-30.0, 0.0] }
[node.low]
kind = "lowpass"
input = "loud"
cutoff_hz = 80.0
[node.high]
kind = "gain"
input = "loud"
gain_db = 0.0
[node.to_left]
kind = "output"
input = "high"
to = ["left"]
[node.to_floor]
kind = "output"
input = "low"
to = ["floor"]
[[section]]
name = "quiet hands"
ends = { signal = "effort", above = 0.3, for_s = 0.1 }
at_most_s = 1.5
[[section]]
name = "dough"
at_most_s = 1.0
set = { "high.gain_db" = -6.0 }
over_s = 0.3
"""


@pytest.fixture(scope="module")
def graph(tmp_path_factory: pytest.TempPathFactory) -> Graph:
    path = tmp_path_factory.mktemp("piece") / "piece.toml"
    path.write_text(PIECE, encoding="utf-8")
    graph, findings = read_piece(path)
    assert graph is not None, findings
    return graph


def kneading(seconds: float) -> InMemoryPerformance:
    """Noise that swells: an arm that begins to work after a second."""
    ticks = round(seconds * TICKS)
    noise = np.random.default_rng(7).uniform(-1.0, 1.0, ticks)
    swell = np.clip(np.arange(ticks) / TICKS - 1.0, 0.05, 1.0)
    return InMemoryPerformance(frames=ticks * RATE_HZ // TICKS, slow={"forearm_left": noise * swell})


def played(graph: Graph, performance: InMemoryPerformance, steps: Iterator[int]) -> np.ndarray:
    playback = Playback(graph, performance, performance.frames, "")
    blocks, ended = [], False
    while not ended:
        step = playback.step(next(steps))
        ended = step.ended
        blocks.append(step.outputs)
    return np.concatenate(blocks, axis=1)


def always(frames: int) -> Iterator[int]:
    while True:
        yield frames


def digest(sound: np.ndarray, frames: int) -> str:
    return hashlib.sha256(sound[:, :frames].tobytes()).hexdigest()


def test_blocks_of_any_length_give_the_same_bits(graph: Graph) -> None:
    performance = kneading(4.0)
    frames = performance.frames
    digests = {
        block: digest(np.pad(played(graph, performance, always(block)), ((0, 0), (0, frames))), frames)
        for block in (11, 64, 480, 1_000, 8_192)
    }
    assert len(set(digests.values())) == 1


@tries(quick=5, many=100)
@given(cuts=st.lists(st.integers(1, 30_000), min_size=1, max_size=10))
def test_ragged_blocks_give_the_same_bits(graph: Graph, cuts: list[int]) -> None:
    performance = kneading(0.7)
    pattern = chain(islice(cycle(cuts), 500), repeat(8_192))
    whole = played(graph, performance, always(8_192))
    ragged = played(graph, performance, pattern)
    frames = min(whole.shape[1], ragged.shape[1])
    assert np.array_equal(whole[:, :frames], ragged[:, :frames])


def test_going_silently_to_a_later_place_gives_the_bits_of_an_unbroken_run(graph: Graph) -> None:
    performance = kneading(4.0)
    whole = played(graph, performance, always(1_024))
    resumed = Playback(graph, performance, performance.frames, "")
    resumed.skip_to(61_234)
    assert np.array_equal(resumed.step(5_000).outputs, whole[:, 61_234:66_234])


def test_it_ends_with_a_fade_after_the_form(graph: Graph) -> None:
    performance = kneading(10.0)
    sound = played(graph, performance, always(480))
    playback = Playback(graph, performance, performance.frames, "")
    sections = []
    while not (step := playback.step(480)).ended:
        sections.append((step.section, step.span.start))
    # Effort passes 0.3 when the arm works, before 1.5 s; then a second of dough; then the fade of 0.5 s.
    begins = next(start for name, start in sections if name == "dough")
    end = (begins + 1.5 * RATE_HZ) / RATE_HZ
    assert 1.0 < begins / RATE_HZ < 2.0
    assert sound.shape[1] / RATE_HZ == pytest.approx(end, abs=0.03)
    assert np.abs(sound[0, -480:]).max() < 1e-3 < np.abs(sound[0, -24_000:-20_000]).max()


def test_it_ends_at_the_latest_with_the_recording_and_its_fade_lies_before(graph: Graph) -> None:
    performance = kneading(1.2)
    sound = played(graph, performance, always(100))
    assert sound.shape[1] == performance.frames
    assert np.all(np.abs(sound[:, -10:]) < 1e-6)


def test_what_comes_after_the_end_is_silence(graph: Graph) -> None:
    performance = kneading(1.2)
    playback = Playback(graph, performance, performance.frames, "")
    playback.skip_to(performance.frames)
    step = playback.step(1_000)
    assert step.ended
    assert not step.outputs.any()


def test_another_piece_title_draws_other_random_streams(tmp_path: Path) -> None:
    text = """
title = "{title}"
outputs = ["left"]
[node.hiss]
kind = "noise"
[node.out]
kind = "output"
input = "hiss"
to = ["left"]
"""
    sounds = []
    for title in ("Night Dough", "Night Dough", "Day Dough"):
        (tmp_path / "piece.toml").write_text(text.format(title=title), encoding="utf-8")
        graph, findings = read_piece(tmp_path / "piece.toml")
        assert graph is not None, findings
        sounds.append(Playback(graph, InMemoryPerformance(frames=480_000), 480_000, "").step(4_800).outputs)
    assert np.array_equal(sounds[0], sounds[1])
    assert not np.array_equal(sounds[0], sounds[2])
