"""What is drawn has the distribution that the parameters say, and is the same for the same piece."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
import pytest
from scipy import stats

from residue.archive.in_memory import InMemoryPerformance
from residue.mapping.graph import build
from residue.mapping.nodes import KINDS
from residue.mapping.piece import Piece
from residue.mapping.playback import Playback
from residue.mapping.signals import Events
from tests.mapping.single import run

MANY = 20_000
STREAM = Events(np.arange(MANY, dtype=np.int64), np.arange(MANY, dtype=np.float64))
LEAST_P = 1e-4
"""Of a test of a distribution; the draws are the same on every run, so that it does not fail now and then."""


def drawn(kind: str, controls: Any = None, **parameters: Any) -> Events:
    found = run(msgspec.convert({"input": "a", **parameters}, KINDS[kind]), {"input": STREAM}, MANY, [7], controls)
    assert isinstance(found, Events)
    return found


@pytest.mark.parametrize("probability", [0.05, 0.5, 0.9])
def test_as_many_events_pass_as_the_probability_says(probability: float) -> None:
    passed = drawn("chance", probability=probability)
    assert stats.binomtest(len(passed.frames), MANY, probability).pvalue > LEAST_P
    assert np.array_equal(passed.frames, passed.values)
    gaps = np.diff(passed.frames)  # independent trials leave geometric gaps
    seen = [np.count_nonzero(gaps == n) for n in range(1, 4)] + [np.count_nonzero(gaps > 3)]
    expected = stats.geom(probability).pmf([1, 2, 3]).tolist()
    assert stats.chisquare(seen, len(gaps) * np.array([*expected, 1 - np.sum(expected)])).pvalue > LEAST_P


def test_at_probability_1_all_pass_at_0_none_and_a_driven_one_counts_at_the_moment() -> None:
    assert len(drawn("chance", probability=1.0).frames) == MANY
    assert len(drawn("chance", probability=0.0).frames) == 0
    half = np.where(np.arange(-(-MANY // 24)) < 400, 0.0, 1.0)
    assert drawn("chance", {"probability": half}).frames.tolist() == list(range(9_600, MANY))


def test_what_a_driven_probability_leaves_out_moves_no_later_draw() -> None:
    low_first = np.where(np.arange(-(-MANY // 24)) < 400, 0.0, 0.5)
    steady, driven = drawn("chance", probability=0.5).frames, drawn("chance", {"probability": low_first}).frames
    assert driven.tolist() == steady[steady >= 9_600].tolist()


def test_values_come_as_often_as_their_weights_say() -> None:
    values, weights = [3.0, -1.0, 0.5, 8.0], [1.0, 0.0, 2.5, 0.5]
    found = drawn("choose", values=values, weights=weights).values
    seen = [np.count_nonzero(found == value) for value in values]
    assert seen[1] == 0
    expected = MANY * np.array([1.0, 2.5, 0.5]) / 4.0
    assert stats.chisquare([seen[0], seen[2], seen[3]], expected).pvalue > LEAST_P


def test_without_repeats_no_value_comes_twice_in_a_row() -> None:
    found = drawn("choose", values=[1.0, 2.0, 3.0], repeat=False).values
    assert (np.diff(found) != 0.0).all()
    assert set(found) == {1.0, 2.0, 3.0}


def test_random_values_are_uniform_between_their_bounds() -> None:
    found = drawn("random_value", low=-2.0, high=6.0).values
    assert stats.kstest(found, stats.uniform(-2.0, 8.0).cdf).pvalue > LEAST_P
    assert abs(np.corrcoef(found[:-1], found[1:])[0, 1]) < 4 / np.sqrt(MANY)


def test_a_walk_goes_in_small_steps_stays_within_its_bounds_and_comes_everywhere() -> None:
    found = drawn("random_value", low=-2.0, high=6.0, walk=2.0).values
    assert 1.9 < np.abs(np.diff(found)).max() <= 2.0
    assert found.min() >= -2.0
    assert found.max() <= 6.0
    # A walk of symmetrical steps between reflecting bounds is uniform in the long run.
    assert np.histogram(found, 4, (-2.0, 6.0))[0] == pytest.approx(MANY / 4, rel=0.15)


def played(title: str, name: str) -> list[float]:
    """The values that a node of some name draws for the beats of a piece of some title."""
    nodes = {
        "pulse": KINDS["channel"](channel="pulse", rate="events"),
        name: KINDS["random_value"](input="pulse"),
        "tone": KINDS["oscillator"](frequency_hz=100.0),
        "out": KINDS["output"](input="tone", to=["left"]),
    }
    graph, findings = build(Piece(title=title, outputs=["left"], node={}), nodes)
    assert graph is not None, findings
    beats = Events(np.arange(0, 4_800, 480, dtype=np.int64), np.ones(10))
    source = InMemoryPerformance(frames=4_800, slow={}, fast={}, events={"pulse": beats})
    values = Playback(graph, source, 48_000, ".").step(4_800).signals[name]
    assert isinstance(values, Events)
    return [float(value) for value in values.values]


def test_the_draws_follow_from_the_piece_and_the_node() -> None:
    assert played("Night Dough", "dice") == played("Night Dough", "dice")
    assert played("Night Dough", "dice") != played("Oven Watch", "dice")
    assert played("Night Dough", "dice") != played("Night Dough", "coin")


@pytest.mark.parametrize(
    ("kind", "parameters", "said"),
    [
        ("choose", {"values": [1.0, 2.0], "weights": [1.0]}, "1 weights for 2 values"),
        ("choose", {"values": [1.0], "weights": [0.0]}, "All weights are 0"),
        ("choose", {"values": [1.0, 2.0], "weights": [1.0, 0.0], "repeat": False}, "needs two values"),
        ("random_value", {"low": 1.0, "high": 1.0}, "is not below high"),
        ("random_value", {"walk": 2.0}, "is more than lies between"),
    ],
)
def test_what_cannot_be_drawn_is_refused(kind: str, parameters: dict[str, Any], said: str) -> None:
    with pytest.raises(msgspec.ValidationError, match=said):
        msgspec.convert({"input": "a", **parameters}, KINDS[kind])
