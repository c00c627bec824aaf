"""Whatever is wired to whatever: the cutting of time changes no bit, and nothing becomes infinite."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from random import Random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.archive.in_memory import InMemoryPerformance
from residue.mapping.graph import Graph
from residue.mapping.playback import Playback
from residue.mapping.signals import Events, Signal
from tests.mapping.random_graphs import performance, random_graph
from tests.mapping.single import join, same
from tests.properties import tries

SECONDS = 1.5
NOISE = np.random.default_rng(7).uniform(-1.0, 1.0, 96_000)
BEATS = np.cumsum([0.11, 0.3, 0.32, 0.29, 0.31, 0.6, 0.3, 0.33, 0.3, 0.28, 0.31, 0.3, 0.3])
EVENING = performance(SECONDS, NOISE[:4_000], NOISE, BEATS.tolist())

any_graph = st.randoms(use_true_random=False).map(random_graph)


def played(graph: Graph, source: InMemoryPerformance, edges: Sequence[int], start: int = 0) -> Mapping[str, Signal]:
    """What each node and each output gives between the edges, after a silent way to the first of them."""
    playback = Playback(graph, source, 2 * source.frames, ".")  # so that neither the end nor its fade comes in between
    playback.skip_to(start)
    parts = [playback.step(stop - playback.position) for stop in edges if stop > start]
    signals = {name: join([part.signals[name] for part in parts]) for name in graph.order}
    return {**signals, "all outputs": np.concatenate([part.outputs for part in parts], axis=1)}


@tries(quick=12, many=100)
@given(graph=any_graph, cuts=st.lists(st.integers(1, EVENING.frames - 1), max_size=12))
def test_the_length_of_the_steps_changes_no_bit_of_any_node(graph: Graph, cuts: Sequence[int]) -> None:
    whole = played(graph, EVENING, [EVENING.frames])
    cut = played(graph, EVENING, [*sorted(set(cuts)), EVENING.frames])
    assert [name for name in whole if not same(whole[name], cut[name])] == []


@tries(quick=12, many=100)
@given(graph=any_graph, start=st.integers(1, EVENING.frames - 9_600))
def test_a_run_that_begins_anywhere_gives_the_bits_of_an_unbroken_one(graph: Graph, start: int) -> None:
    stop = start + 9_600
    unbroken = played(graph, EVENING, [start, stop])
    resumed = played(graph, EVENING, [stop], start)
    outputs = unbroken["all outputs"]
    assert not isinstance(outputs, Events)
    assert same(outputs[:, start:stop], resumed["all outputs"])


@tries(quick=4, many=50)
@given(seed=st.integers(0, 1_000_000))
def test_every_run_draws_the_same_random_streams(seed: int) -> None:
    one, other = (played(random_graph(Random(seed)), EVENING, [EVENING.frames]) for _ in range(2))
    assert [name for name in one if not same(one[name], other[name])] == []


HARD = {
    "an offset": (np.ones(1), np.ones(1)),
    "a negative offset": (np.full(1, -1.0), np.full(1, -1.0)),
    "steps": (np.repeat([1.0, -1.0], 500), np.repeat([1.0, -1.0], 4_000)),
    "full-scale noise": (np.sign(NOISE[:8_000]), np.sign(NOISE)),
    "half-rate tones": (np.array([1.0, -1.0]), np.array([1.0, -1.0])),
    "dropped samples": (
        np.where(NOISE[:8_000] > 0.3, 0.0, NOISE[:8_000]),
        np.where(np.repeat(NOISE[:2_000] > 0.5, 48), 0.0, NOISE),
    ),
    "nothing": (np.zeros(1), np.zeros(1)),
}
SECONDS_HARD = 4
GROWN = 1.5
"""From half a second to the next. What rises evenly, such as a count, does so twice at most, its square four times."""


def grows(signal: np.ndarray) -> bool:
    """Whether it multiplies in each of the last five halves of a second, beyond all that was before and full scale."""
    highest = [float(np.abs(part).max(initial=0.0)) for part in np.array_split(signal, 2 * SECONDS_HARD, axis=-1)]
    return all(highest[at] > GROWN * max(*highest[:at], 1.0) for at in range(len(highest) - 5, len(highest)))


TICKS = np.arange(SECONDS_HARD * 2_000) / 2_000


@pytest.mark.parametrize(
    ("signal", "wanted"),
    [
        pytest.param(2.5**TICKS * np.sin(300.0 * TICKS), True, id="an unstable resonance, 2.5 times a second"),
        pytest.param(1e-9 * 1e6**TICKS, True, id="one that begins in rounding"),
        pytest.param(20.0 * np.floor(TICKS), False, id="a count"),
        pytest.param(20.0 * np.maximum(TICKS - 1.9, 0.0), False, id="a ramp that begins late"),
        pytest.param(20.0 * np.maximum(TICKS - 1.9, 0.0) ** 2, False, id="its square"),
        pytest.param(100.0 * (TICKS > 3.0), False, id="a frequency that is found late"),
    ],
)
def test_growth_is_told_from_what_may_rise(signal: np.ndarray, wanted: bool) -> None:  # noqa: FBT001
    assert grows(signal) is wanted


def faults(wave: tuple[np.ndarray, np.ndarray], graph: Graph) -> list[str]:
    """The nodes that give something infinite, or something that grows."""
    source = performance(SECONDS_HARD, *wave, np.arange(0.05, SECONDS_HARD, 0.05).tolist())
    signals = played(graph, source, range(48_000, source.frames + 1, 48_000))
    infinite = [
        name
        for name, signal in signals.items()
        if not np.isfinite(signal.values if isinstance(signal, Events) else signal).all()
    ]
    growing = [name for name, signal in signals.items() if not isinstance(signal, Events) and grows(signal)]
    return infinite + growing


@pytest.mark.parametrize("wave", HARD.values(), ids=HARD)
@tries(quick=4, many=50)
@given(graph=any_graph)
def test_finite_input_gives_nothing_infinite_and_nothing_that_grows(
    wave: tuple[np.ndarray, np.ndarray], graph: Graph
) -> None:
    """A filter that is not stable goes on multiplying; a frequency, a ratio or a count may rise too, but not so."""
    assert faults(wave, graph) == []


@pytest.mark.parametrize("wave", HARD.values(), ids=HARD)
@pytest.mark.parametrize("seed", [97, 182, 244])
def test_a_ratio_that_rises_is_not_taken_for_growth(wave: tuple[np.ndarray, np.ndarray], seed: int) -> None:
    """Graphs in which it was once: the power of a band against one that holds next to nothing, and uneven beats."""
    assert faults(wave, random_graph(Random(seed))) == []
