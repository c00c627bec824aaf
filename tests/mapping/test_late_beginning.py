"""A step that begins in the middle of a performance gives what it would give if the performance began there."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from residue.mapping.graph import drivable
from residue.mapping.late_beginning import younger
from residue.mapping.node import Block, Control, Drive, Node, NodeContext, Trusted
from residue.mapping.signals import FRAMES_PER_TICK, Events, Signal, Span
from tests.mapping.bodies import LIVED_FRAMES, lived
from tests.mapping.examples import FRAMES, examples
from tests.mapping.single import Performance, Signals, read, same, shapes_of, stepped

LATE = 20_000 * FRAMES_PER_TICK
"""Ten seconds."""


def moved(signal: Signal, frames: int) -> Signal:
    return Events(signal.frames + frames, signal.values) if isinstance(signal, Events) else signal


def read_late(node: Node, inputs: Signals, frames: int) -> Trusted:
    """What a fresh step gives over LATE … LATE + frames, fed with these signals from LATE on."""
    step = younger(node.prepare(NodeContext(shapes_of(inputs), 7, Performance(), ".")), LATE)
    later: dict[str, Signal | Sequence[Signal]] = {
        name: [moved(one, LATE) for one in given] if isinstance(given, list) else moved(given, LATE)  # type: ignore[arg-type]
        for name, given in inputs.items()
    }
    numbers = {name: getattr(node, name) for name in drivable(type(node))}
    controls: dict[str, Control] = {name: float(one) for name, one in numbers.items() if not isinstance(one, Drive)}
    found = stepped(step, Block(Span(LATE, LATE + frames), later, controls))
    signal, trust = found if isinstance(found, Trusted) else (found, None)
    return Trusted(moved(signal, -LATE), trust)


@pytest.mark.parametrize(
    ("node", "inputs"), [pytest.param(e.node, e.inputs, id=e.name) for e in examples() if not e.node.needs()]
)
def test_every_node_gives_the_same_bits_later(node: Node, inputs: Signals) -> None:
    assert same(read_late(node, inputs, FRAMES).signal, read(node, inputs, FRAMES).signal)


@pytest.mark.parametrize(("node", "inputs"), [pytest.param(e.node, e.inputs, id=e.name) for e in lived()])
def test_what_reads_the_body_does_so_over_half_a_minute(node: Node, inputs: Signals) -> None:
    late, early = read_late(node, inputs, LIVED_FRAMES), read(node, inputs, LIVED_FRAMES)
    assert late.trust is not None
    assert early.trust is not None
    assert same(late.signal, early.signal)
    assert same(late.trust, early.trust)
