"""What was kept of a playback goes on to the bit, for every kind in the catalogue and whatever is wired to whatever."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from random import Random

import numpy as np
import pytest

from residue.mapping.checkpoint import Given, dump, dump_nodes, given, load, load_nodes
from residue.mapping.graph import Graph, drivable
from residue.mapping.node import Node, Reader, Step
from residue.mapping.playback import Playback
from residue.mapping.signals import Kind
from tests.mapping.bodies import LIVED_FRAMES, lived
from tests.mapping.examples import CHANNELS, FRAMES, examples
from tests.mapping.random_graphs import performance, random_graph
from tests.mapping.single import Signals, cut, read, run, same, ticks

CUTS = [1, 25, 1_013, 3_000, 3_001, 5_999]
SECONDS = 1.5
NOISE = np.random.default_rng(7).uniform(-1.0, 1.0, 96_000)
BEATS = np.cumsum([0.11, 0.3, 0.32, 0.29, 0.31, 0.6, 0.3]).tolist()
EVENING = performance(SECONDS, NOISE[:4_000], NOISE, BEATS)


def through_bytes(step: Step) -> Step:
    held: Given = {("channel", name): reader for name, reader in CHANNELS.readers.items()}
    again: Step = load(dump(step, held), held)
    assert again is not step
    return again


@pytest.mark.parametrize(("node", "inputs"), [pytest.param(e.node, e.inputs, id=e.name) for e in examples()])
@pytest.mark.parametrize("driven", [False, True], ids=["still", "driven"])
def test_every_node_goes_on_to_the_bit_from_what_was_kept(node: Node, inputs: Signals, driven: bool) -> None:  # noqa: FBT001
    way = np.linspace(0.0, 1.0, ticks(FRAMES))
    controls = {name: float(getattr(node, name)) * (1.0 - 0.5 * way) for name in drivable(type(node)) if driven}
    kept = run(node, inputs, FRAMES, CUTS, controls, CHANNELS, between=through_bytes)
    assert same(kept, run(node, inputs, FRAMES, CUTS, controls, CHANNELS))


@pytest.mark.parametrize(("node", "inputs"), [pytest.param(e.node, e.inputs, id=e.name) for e in lived()])
def test_what_is_read_over_half_a_minute_goes_on_to_the_bit(node: Node, inputs: Signals) -> None:
    kept = read(node, inputs, LIVED_FRAMES, [100_001, 700_000, 1_200_003], between=through_bytes)
    unbroken = read(node, inputs, LIVED_FRAMES)
    assert kept.trust is not None
    assert unbroken.trust is not None
    assert same(kept.signal, unbroken.signal)
    assert same(kept.trust, unbroken.trust)


def goes_on(seed: int, made_again: Callable[[Graph, Given, Playback], Playback]) -> Playback:
    """A playback that is made again after each step, and gives the bits of one that is not; as it was made last."""
    random = Random(seed)
    graph = random_graph(random)
    held = given(graph, EVENING)
    unbroken, kept = (Playback(graph, EVENING, EVENING.frames, ".") for _ in range(2))
    while unbroken.position < EVENING.frames:
        frames = random.randint(1, 20_000)
        assert unbroken.step(frames).outputs.tobytes() == kept.step(frames).outputs.tobytes()
        kept = made_again(graph, held, kept)
    return kept


@pytest.mark.parametrize("seed", range(40))
def test_any_graph_with_its_form_goes_on_to_the_bit(seed: int) -> None:
    kept = goes_on(seed, lambda _graph, held, kept: load(dump(kept, held), held))
    assert kept.position >= EVENING.frames


@pytest.mark.parametrize("seed", range(20))
def test_each_node_goes_on_from_a_state_of_its_own(seed: int) -> None:
    def of_states(graph: Graph, held: Given, kept: Playback) -> Playback:
        states = dump_nodes(kept.state(), held)
        assert states.keys() == set(graph.order)
        again = Playback(graph, EVENING, EVENING.frames, ".")
        again.take(load_nodes(kept.position, states, held))
        return again

    assert not any(goes_on(seed, of_states).since.values())


def test_what_stands_outside_this_version_is_not_kept() -> None:
    with pytest.raises(pickle.PicklingError, match=r"tests\.mapping"):
        dump(Playback(random_graph(Random(3)), Theirs(), 48_000, "."), {})


class Theirs:
    """A source whose readers nobody has named."""

    def channel(self, _name: str, kind: Kind) -> Reader:
        whole = CHANNELS.channels[{Kind.SLOW: "arm", Kind.FAST: "air", Kind.EVENTS: "pulse"}[kind]]
        return lambda span: cut(whole, span)


def test_two_that_were_read_from_the_same_bytes_share_nothing() -> None:
    graph = random_graph(Random(3))
    held = given(graph, EVENING)
    playback = Playback(graph, EVENING, EVENING.frames, ".")
    playback.skip_to(20_000)
    state = dump(playback, held)
    one, other = load(state, held), load(state, held)
    one.skip_to(EVENING.frames)
    assert other.position == 20_000
    assert other.step(9_600).outputs.tobytes() == playback.step(9_600).outputs.tobytes()
