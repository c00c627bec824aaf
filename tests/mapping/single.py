"""One node alone, fed with whole signals, stepped through any cutting of time."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import cast

import numpy as np

from residue.mapping.graph import drivable
from residue.mapping.node import Block, Control, Drive, LateStep, Node, NodeContext, Reader, Step, Trusted
from residue.mapping.signals import FRAMES_PER_TICK, Events, Kind, Shape, Signal, Slow, Span, joined
from residue.mapping.trust import combined

Signals = Mapping[str, Signal | Sequence[Signal]]


def cut(signal: Signal, span: Span) -> Signal:
    """A span's part of a whole signal."""
    if isinstance(signal, Events):
        within = (signal.frames >= span.start) & (signal.frames < span.stop)
        return Events(signal.frames[within], signal.values[within])
    if signal.ndim == 1:
        return signal[span.first_tick : span.last_tick]
    return signal[:, span.start : span.stop]


join = joined


def stepped(step: Step, block: Block) -> Signal | Trusted:
    """What a step gives over a block. One with late inputs has them at hand here: it gives and takes in turn."""
    if not hasattr(step, "take"):
        return step(block)
    late, span = cast(LateStep, step), block.span
    parts = []
    for start in range(span.start, span.stop, late.longest):
        piece = Span(start, min(start + late.longest, span.stop))
        ticks = slice(piece.first_tick - span.first_tick, piece.last_tick - span.first_tick)
        controls = {name: one if isinstance(one, float) else one[ticks] for name, one in block.controls.items()}
        frames = slice(piece.start - span.start, piece.stop - span.start)
        inputs = {name: _part(cast(Signal, signal), piece, ticks, frames) for name, signal in block.inputs.items()}
        parts.append(cast(Signal, late(Block(piece, {}, controls))))
        late.take(Block(piece, inputs, controls))
    return joined(parts)


def _part(signal: Signal, piece: Span, ticks: slice, frames: slice) -> Signal:
    if isinstance(signal, Events):
        return cut(signal, piece)
    return signal[ticks] if signal.ndim == 1 else signal[:, frames]


def shape_of(signal: Signal) -> Shape:
    if isinstance(signal, Events):
        return Shape(Kind.EVENTS)
    return Shape(Kind.SLOW) if signal.ndim == 1 else Shape(Kind.FAST, len(signal))


@dataclass
class Performance:
    """Channels that are there as whole signals."""

    channels: Mapping[str, Signal] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.readers: dict[str, Reader] = {name: partial(cut, signal) for name, signal in self.channels.items()}

    def channel(self, name: str, kind: Kind) -> Reader:
        return self.readers[name]


def shapes_of(signals: Signals) -> dict[str, Shape | Sequence[Shape]]:
    return {
        name: [shape_of(one) for one in signal] if isinstance(signal, list) else shape_of(signal)  # type: ignore[arg-type]
        for name, signal in signals.items()
    }


def run(
    node: Node,
    inputs: Signals,
    frames: int,
    cuts: Sequence[int] = (),
    controls: Mapping[str, Control] | None = None,
    source: Performance | None = None,
    moving: Collection[str] = (),
    between: Callable[[Step], Step] = lambda step: step,
) -> Signal:
    """What a fresh step of the node gives over 0 … frames, cut at the frames of `cuts`.

    controls: whole signals, (ticks,), in the place of drivable parameters.
    moving: parameters that may move although no control is given for them here.
    between: what becomes of the step at each cut.
    """
    return read(node, inputs, frames, cuts, controls, source, moving, between).signal


def trust(node: Node, inputs: Signals, frames: int, cuts: Sequence[int] = ()) -> Slow:
    """The trust of a node that has one."""
    found = read(node, inputs, frames, cuts).trust
    assert found is not None
    return found


def read(
    node: Node,
    inputs: Signals,
    frames: int,
    cuts: Sequence[int] = (),
    controls: Mapping[str, Control] | None = None,
    source: Performance | None = None,
    moving: Collection[str] = (),
    between: Callable[[Step], Step] = lambda step: step,
    trusts: Mapping[str, Slow] | None = None,
) -> Trusted:
    """As `run`, with the trust if the node has one, no higher than that of its inputs. trusts: theirs, by field."""
    may_move = frozenset(controls or ()) | frozenset(moving)
    step = node.prepare(NodeContext(shapes_of(inputs), 7, source or Performance(), ".", may_move))
    numbers = {name: getattr(node, name) for name in drivable(type(node))}
    steady = {name: float(number) for name, number in numbers.items() if not isinstance(number, Drive)}
    edges = [0, *sorted({at for at in cuts if 0 < at < frames}), frames]
    parts, found_trusts = [], []
    for start, stop in itertools.pairwise(edges):
        span = Span(start, stop)
        given = {
            name: [cut(one, span) for one in signal] if isinstance(signal, list) else cut(signal, span)  # type: ignore[arg-type]
            for name, signal in inputs.items()
        }
        driven = {name: signal[span.first_tick : span.last_tick] for name, signal in (controls or {}).items()}  # type: ignore[index]
        known = {name: one[span.first_tick : span.last_tick] for name, one in (trusts or {}).items()}
        found = combined(stepped(step, Block(span, given, {**steady, **driven}, known)), list(known.values()))
        parts.append(found.signal)
        found_trusts += [] if found.trust is None else [found.trust]
        step = between(step)
    return Trusted(join(parts), np.concatenate(found_trusts) if found_trusts else None)


def ticks(frames: int) -> int:
    return -(-frames // FRAMES_PER_TICK)


def same(one: Signal, other: Signal) -> bool:
    """To the bit: minus nought is not nought."""
    if isinstance(one, Events):
        assert isinstance(other, Events)
        return np.array_equal(one.frames, other.frames) and np.array_equal(one.values, other.values)
    return not isinstance(other, Events) and one.shape == other.shape and one.tobytes() == other.tobytes()
