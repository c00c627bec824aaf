"""Long silence costs nothing: no node is left with subnormal numbers, on which a processor is many times slower.

A sensor that fell off gives zeros for hours, and what decays towards zero passes the smallest normal number (2.2e-308)
after some minutes. Counted are the numbers in all that a step remembers, and in the states of its recursive filters.
"""

from __future__ import annotations

import types
from collections import deque
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pytest

from residue.dsp import filters
from residue.dsp.filters import SosFilter
from residue.dsp.sliding import FallingMaximum
from residue.mapping.graph import drivable
from residue.mapping.node import Block, Node, NodeContext, Step
from residue.mapping.signals import AUDIO_RATE_HZ, Events, Signal, Span
from tests.mapping.examples import CHANNELS, FRAMES, examples
from tests.mapping.single import Signals, cut, shape_of, shapes_of, stepped

SILENT_S = {True: 12, False: 40}
"""By whether sound is at work in a node; the examples have short times, and decay within it."""
FILTERED_FRAMES = 2_000_000
"""Forty seconds of sound, a quarter of an hour of a slow signal."""


def remembered(step: object) -> Iterator[object]:
    """All that a step holds: through closures, containers and the objects of this project."""
    seen: set[int] = set()
    todo = [step]
    while todo:
        held = todo.pop()
        if id(held) in seen:
            continue
        seen.add(id(held))
        yield held
        if isinstance(held, types.FunctionType):
            todo += [cell.cell_contents for cell in held.__closure__ or ()]
        elif isinstance(held, types.MethodType):
            todo.append(held.__self__)
        elif isinstance(held, Mapping):
            todo += held.values()
        elif isinstance(held, list | tuple | set | deque):
            todo += held
        elif type(held).__module__.startswith("residue") and not isinstance(held, type | Node):
            todo += vars(held).values() if hasattr(held, "__dict__") else [getattr(held, s) for s in held.__slots__]  # type: ignore[attr-defined]


def subnormals(*found: object) -> int:
    """How many of the numbers are neither zero nor normal."""
    floats = [np.abs(np.asarray(one, np.float64)) for one in found if isinstance(one, float | np.ndarray)]
    return sum(int(np.count_nonzero((one > 0) & (one < np.finfo(np.float64).tiny))) for one in floats)


def silence(signal: Signal, frames: int) -> Signal:
    if isinstance(signal, Events):
        return Events()
    return np.zeros((len(signal), frames)) if signal.ndim == 2 else np.zeros(frames // 24)


def go_on(step: Step, node: Node, inputs: Signals, span: Span) -> None:
    steady = {name: float(getattr(node, name)) for name in drivable(type(node))}
    stepped(step, Block(span, inputs, steady))


def each(inputs: Signals, change: Any) -> Any:
    return {name: [change(one) for one in s] if isinstance(s, list) else change(s) for name, s in inputs.items()}


def after_sound(node: Node, inputs: Signals, moving: frozenset[str] = frozenset()) -> tuple[Step, Span]:
    """A step that has heard the example, up to the end of its last whole tick; some nodes step otherwise where a
    parameter may move."""
    span = Span(0, FRAMES // 24 * 24)
    step = node.prepare(NodeContext(shapes_of(inputs), 7, CHANNELS, ".", moving))
    go_on(step, node, each(inputs, lambda signal: cut(signal, span)), span)
    return step, span


every_node = pytest.mark.parametrize(
    ("node", "inputs"), [pytest.param(one.node, one.inputs, id=one.name) for one in examples()]
)


@pytest.mark.parametrize(
    ("node", "inputs", "moving"),
    [
        pytest.param(one.node, one.inputs, moving, id=f"{one.name}-{'moving' if moving else 'standing'}")
        for one in examples()
        for moving in dict.fromkeys((frozenset(), frozenset(drivable(type(one.node)))))
    ],
)
def test_silence_after_sound_leaves_no_subnormal_number_in_what_a_node_remembers(
    node: Node, inputs: Signals, moving: frozenset[str]
) -> None:
    step, heard = after_sound(node, inputs, moving)
    shapes = [node.gives(shapes_of(inputs)), *(shape_of(one) for signal in inputs.values() for one in signals(signal))]
    seconds = SILENT_S[any(shape.kind == "fast" for shape in shapes)]
    for second in range(0, seconds, seconds // 4):
        frames = seconds // 4 * AUDIO_RATE_HZ
        start = heard.stop + second * AUDIO_RATE_HZ
        silent = each(inputs, lambda signal, frames=frames: silence(signal, frames))
        go_on(step, node, silent, Span(start, start + frames))
        assert subnormals(*remembered(step)) == 0, f"after {second + seconds // 4} s"


def signals(signal: Any) -> list[Signal]:
    return signal if isinstance(signal, list) else [signal]


def filter_states(step: Step) -> Iterator[np.ndarray | float]:
    """The states of the filters of a step, again and again while each filters silence."""
    for one in list(remembered(step)):
        for _ in range(4):
            if isinstance(one, SosFilter):
                one(np.zeros((len(one.state), FILTERED_FRAMES // 4)))
                yield one.state.copy()
            elif isinstance(one, FallingMaximum):
                one(np.zeros(FILTERED_FRAMES // 4))
                yield one._lifted


@every_node
def test_no_filter_of_a_node_comes_to_subnormal_numbers_in_very_long_silence(node: Node, inputs: Signals) -> None:
    step, _ = after_sound(node, inputs)
    assert subnormals(*filter_states(step)) == 0


def test_without_its_guard_a_filter_would_come_to_them(monkeypatch: pytest.MonkeyPatch) -> None:
    """So this test counts what it means to count."""
    monkeypatch.setattr(filters, "SUBNORMAL_GUARD", 0.0)
    named = {one.name: one for one in examples()}["lowpass-0-slow"]
    step, _ = after_sound(named.node, named.inputs)
    assert subnormals(*filter_states(step)) > 0
