"""Every sentence of the contract in residue.mapping.node, for every kind in the catalogue."""

from __future__ import annotations

import copy
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.mapping.graph import drivable
from residue.mapping.node import Node
from residue.mapping.signals import FRAMES_PER_TICK, Events, Signal
from tests.mapping.bodies import LIVED_FRAMES, lived
from tests.mapping.examples import CHANNELS, EVENTS, FRAMES, examples
from tests.mapping.single import Performance, Signals, join, read, run, same, shape_of, shapes_of, ticks
from tests.properties import tries


def nodes() -> list[Any]:
    return [pytest.param(one.node, one.inputs, id=one.name) for one in examples()]


every_node = pytest.mark.parametrize(("node", "inputs"), nodes())


def changed(signal: Any, change: Any) -> Any:
    return [change(one) for one in signal] if isinstance(signal, list) else change(signal)


@every_node
def test_it_gives_what_it_says_it_gives(node: Node, inputs: Signals) -> None:
    given_out = run(node, inputs, FRAMES, source=CHANNELS)
    assert shape_of(given_out) == node.gives(shapes_of(inputs))
    if not isinstance(given_out, Events):
        assert given_out.shape[-1] == (ticks(FRAMES) if given_out.ndim == 1 else FRAMES)


@every_node
def test_its_trust_is_where_it_says_so_lies_between_0_and_1_and_keeps_its_bits(node: Node, inputs: Signals) -> None:
    whole = read(node, inputs, FRAMES, source=CHANNELS).trust
    assert (whole is not None) == type(node).has_trust
    if whole is not None:
        assert whole.shape == (ticks(FRAMES),)
        assert whole.min() >= 0.0
        assert whole.max() <= 1.0
        cut = read(node, inputs, FRAMES, [1, 2, 23, 24, 25, 990, 3_001], source=CHANNELS).trust
        assert cut is not None
        assert same(cut, whole)


@pytest.fixture
def whole(node: Node, inputs: Signals) -> Signal:
    """What a node gives without any cut: once for all examples of a property."""
    return run(node, inputs, FRAMES, source=CHANNELS)


@every_node
@tries(quick=5, many=50)
@given(data=st.data())
def test_no_cutting_of_time_changes_a_bit(node: Node, inputs: Signals, whole: Signal, data: st.DataObject) -> None:
    cuts = data.draw(st.lists(st.integers(1, FRAMES - 1), max_size=12))
    tight = data.draw(st.integers(0, FRAMES - 60))
    cuts += range(tight, tight + 60)  # one frame at a time over more than two ticks
    assert same(run(node, inputs, FRAMES, cuts, source=CHANNELS), whole)


@pytest.mark.parametrize(("node", "inputs"), [pytest.param(one.node, one.inputs, id=one.name) for one in lived()])
def test_what_is_read_over_half_a_minute_keeps_its_bits_and_comes_to_be_known(node: Node, inputs: Signals) -> None:
    """Cut anywhere, in the tenth of a second too in which a thing becomes known."""
    whole = read(node, inputs, LIVED_FRAMES)
    assert whole.trust is not None
    assert whole.trust.max() > 0.4
    assert len(whole.signal.frames if isinstance(whole.signal, Events) else np.unique(whole.signal)) > 1
    random = np.random.default_rng(4)
    cuts = [*random.integers(1, LIVED_FRAMES, 40).tolist(), *range(480_000, 484_800, 23)]
    cut = read(node, inputs, LIVED_FRAMES, cuts)
    assert cut.trust is not None
    assert same(cut.signal, whole.signal)
    assert same(cut.trust, whole.trust)


def driven(node: Node) -> dict[str, np.ndarray]:
    """All that may be driven, in steps and along a line."""
    way = np.repeat([0.0, 0.2, 1.0, 0.35], -(-ticks(FRAMES) // 4))[: ticks(FRAMES)]
    way[40:200] = np.linspace(0.0, 1.0, 160)
    return {name: getattr(node, name) * (1.0 - 0.5 * way) for name in drivable(type(node))}


every_driven_node = pytest.mark.parametrize(
    ("node", "inputs"), [case for case in nodes() if drivable(case.values[0].__class__)]
)


@pytest.fixture
def whole_driven(node: Node, inputs: Signals) -> Signal:
    return run(node, inputs, FRAMES, (), driven(node), CHANNELS)


@every_driven_node
@tries(quick=5, many=50)
@given(data=st.data())
def test_driven_parameters_keep_the_bits_whatever_the_cutting(
    node: Node, inputs: Signals, whole_driven: Signal, data: st.DataObject
) -> None:
    cuts = [*data.draw(st.lists(st.integers(1, FRAMES - 1), max_size=8)), *range(990, 1050)]
    assert same(run(node, inputs, FRAMES, cuts, driven(node), CHANNELS), whole_driven)


@every_driven_node
def test_a_number_and_a_signal_of_that_number_give_the_same_bits(node: Node, inputs: Signals) -> None:
    controls = {name: np.full(ticks(FRAMES), float(getattr(node, name))) for name in drivable(type(node))}
    as_number = run(node, inputs, FRAMES, source=CHANNELS, moving=controls)
    assert same(run(node, inputs, FRAMES, (), controls, CHANNELS), as_number)


@every_node
def test_it_leaves_its_inputs_untouched(node: Node, inputs: Signals) -> None:
    before = copy.deepcopy(inputs)
    run(node, inputs, FRAMES, [1, 500], source=CHANNELS)
    for name, signal in inputs.items():
        for one, kept in zip(*((s if isinstance(s, list) else [s]) for s in (signal, before[name])), strict=True):
            assert same(one, kept)


@every_node
@pytest.mark.parametrize("now", [1, 24, 3_001, 6_000])
def test_the_future_does_not_reach_back(node: Node, inputs: Signals, now: int) -> None:
    def other_future(signal: Signal) -> Signal:
        if isinstance(signal, Events):
            return Events(signal.frames[signal.frames < now], signal.values[signal.frames < now])
        changed = signal.copy()
        changed[..., now if signal.ndim == 2 else ticks(now) :] = 0.123
        return changed

    past = Performance({name: other_future(signal) for name, signal in CHANNELS.channels.items()})
    as_it_was = run(node, inputs, now, source=CHANNELS)
    as_it_is = run(node, {name: changed(s, other_future) for name, s in inputs.items()}, FRAMES, [now], source=past)
    if isinstance(as_it_was, Events) and isinstance(as_it_is, Events):
        assert same(Events(as_it_is.frames[as_it_is.frames < now], as_it_is.values[as_it_is.frames < now]), as_it_was)
    elif not isinstance(as_it_was, Events) and not isinstance(as_it_is, Events):
        assert np.array_equal(as_it_is[..., : as_it_was.shape[-1]], as_it_was)


HOSTILE = {
    "offset": lambda n: np.full(n, 1.0),
    "large offset": lambda n: np.full(n, 1e9),
    "steps": lambda n: np.where(np.arange(n) // 37 % 2, 1.0, -1.0),
    "half-rate tone": lambda n: np.where(np.arange(n) % 2, 1.0, -1.0),
    "bursts and silence": lambda n: np.where(np.arange(n) % 1000 < 20, 1e6, 0.0),
    "smallest numbers": lambda n: np.full(n, 5e-324),
}


@every_node
@pytest.mark.parametrize("wave", HOSTILE.values(), ids=HOSTILE)
def test_finite_input_never_gives_anything_else(node: Node, inputs: Signals, wave: Any) -> None:
    def hostile(signal: Signal) -> Signal:
        if isinstance(signal, Events):
            return Events(np.arange(0, FRAMES, 7, dtype=np.int64), wave(len(range(0, FRAMES, 7))))
        return np.broadcast_to(wave(signal.shape[-1]), signal.shape).copy()

    source = Performance({name: hostile(signal) for name, signal in CHANNELS.channels.items()})
    given_out = run(node, {name: changed(s, hostile) for name, s in inputs.items()}, FRAMES, source=source)
    assert np.isfinite(given_out.values if isinstance(given_out, Events) else given_out).all()


@every_node
def test_silence_after_sound_leaves_no_subnormal_numbers(node: Node, inputs: Signals) -> None:
    """A filter that decays into subnormal numbers runs five times slower, for good."""
    frames = 3 * FRAMES

    def then_silence(signal: Signal) -> Signal:
        if isinstance(signal, Events):
            return signal
        rest = 3 if signal.ndim == 2 else 1
        length = frames if signal.ndim == 2 else ticks(frames)
        return (
            np.concatenate((signal, np.zeros((*signal.shape[:-1], length - signal.shape[-1]))), axis=-1) * rest / rest
        )

    source = Performance({name: then_silence(signal) for name, signal in CHANNELS.channels.items()})
    heard = run(node, {name: changed(s, then_silence) for name, s in inputs.items()}, frames, source=source)
    values = np.abs(heard.values if isinstance(heard, Events) else heard)
    assert not ((values > 0) & (values < np.finfo(np.float64).tiny)).any()


def test_joining_is_the_other_half_of_cutting() -> None:
    assert same(join([EVENTS]), EVENTS)
    assert FRAMES % FRAMES_PER_TICK  # the whole ends within a tick
