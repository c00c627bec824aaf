"""The one protocol of the mapping graph: what a node declares, and the step that it prepares.

A node is a frozen, validated record of its parameters as written in piece.toml. `prepare` turns it into a step:
a callable that takes one block after the other and holds its own state. A step keeps this contract, and a test
checks each sentence for every registered kind:

- it leaves its inputs untouched;
- its output has the same bits however time is cut into spans;
- it is causal: its output up to a frame depends on nothing after that frame;
- its trust, if it has one, is between 0 and 1 and keeps the sentences above;
- it opens no file, takes no lock, reads no clock, and logs nothing;
- finite input never leads to NaN or infinity;
- it holds arrays, numbers, containers, and functions and objects of ours only, so that a checkpoint can keep it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, ClassVar, NamedTuple, Protocol, cast

import msgspec
import numpy as np
from numpy.typing import NDArray

from residue.dsp import kernel
from residue.mapping.signals import (
    AUDIO_RATE_HZ,
    CONTROL_RATE_HZ,
    FRAMES_PER_TICK,
    Events,
    Fast,
    Kind,
    Shape,
    Signal,
    Slow,
    Span,
)


@dataclass(frozen=True)
class Port:
    """Marks a field of a node as an input and says which kinds of signal it takes."""

    kinds: frozenset[Kind]


SlowIn = Annotated[str, Port(frozenset({Kind.SLOW}))]
FastIn = Annotated[str, Port(frozenset({Kind.FAST}))]
EventsIn = Annotated[str, Port(frozenset({Kind.EVENTS}))]
EitherIn = Annotated[str, Port(frozenset({Kind.SLOW, Kind.FAST}))]
EithersIn = Annotated[list[str], Port(frozenset({Kind.SLOW, Kind.FAST}))]
SlowsIn = Annotated[list[str], Port(frozenset({Kind.SLOW}))]
EventStreamsIn = Annotated[list[str], Port(frozenset({Kind.EVENTS}))]
SlowsOrEventsIn = Annotated[list[str], Port(frozenset({Kind.SLOW, Kind.EVENTS}))]
MaybeSlowIn = Annotated[str | None, Port(frozenset({Kind.SLOW}))]
MaybeEventsIn = Annotated[str | None, Port(frozenset({Kind.EVENTS}))]


class Drive(msgspec.Struct, frozen=True, forbid_unknown_fields=True, rename={"source": "from"}):
    """A parameter driven by a slow signal: straight lines between the points (at, gives), constant beyond them."""

    source: str
    at: list[float]
    gives: list[float]


Control = float | Slow
"""A parameter during one span: a number while it is constant, else (ticks,)."""


@dataclass(slots=True)
class Block:
    """The input of a step: the span, the inputs by field name, the drivable parameters, and how far inputs are trusted.

    trusts: of those inputs by field name that are one reading of the body, or made from one, (ticks,).
    """

    span: Span
    inputs: Mapping[str, Signal | Sequence[Signal]]
    controls: Mapping[str, Control]
    trusts: Mapping[str, Slow] = field(default_factory=dict)

    def slow(self, field: str) -> Slow:
        """One slow input, (ticks,)."""
        return cast(Slow, self.inputs[field])

    def fast(self, field: str) -> Fast:
        """One fast input, (channels, frames)."""
        return cast(Fast, self.inputs[field])

    def either(self, field: str) -> Slow | Fast:
        """One input that is slow, (ticks,), or fast, (channels, frames)."""
        return cast("Slow | Fast", self.inputs[field])

    def events(self, field: str) -> Events:
        """The events of one input within the span."""
        return cast(Events, self.inputs[field])

    def eithers(self, field: str) -> Sequence[Slow | Fast]:
        """A list of signals, one for each name in the field, all of one kind."""
        return cast("Sequence[Slow | Fast]", self.inputs[field])

    def slows(self, field: str) -> Sequence[Slow]:
        """A list of slow signals, one for each name in the field."""
        return cast("Sequence[Slow]", self.inputs[field])

    def event_streams(self, field: str) -> Sequence[Events]:
        """A list of streams of events within the span, one for each name in the field."""
        return cast("Sequence[Events]", self.inputs[field])

    def slows_or_events(self, field: str) -> Sequence[Slow | Events]:
        """A list of signals, slow or events, one for each name in the field."""
        return cast("Sequence[Slow | Events]", self.inputs[field])

    def maybe_slow(self, field: str) -> Slow | None:
        """One slow input, (ticks,); None where the piece wires nothing to it."""
        found = self.inputs.get(field)
        return found if isinstance(found, np.ndarray) else None

    def maybe_events(self, field: str) -> Events:
        """The events of one input within the span; none where the piece wires nothing to it."""
        found = self.inputs.get(field)
        return found if isinstance(found, Events) else Events()


class Trusted(NamedTuple):
    """A reading of the body and its trust over one span.

    trust: (ticks,), from 0 (not measured: the value is an old one, or a default) to 1 (measured now).
    """

    signal: Signal
    trust: Slow | None


class Step(Protocol):
    """A prepared node: called once for each block, it returns the output."""

    def __call__(self, block: Block) -> Signal | Trusted:
        """The node's signal over the block's span, with its trust if the node has one."""


class LateStep(Step, Protocol):
    """A prepared node with late inputs.

    Over each span it first gives its output, and afterwards takes its late inputs.
    """

    longest: int
    """The most frames of a span: a late input has its effect at least so many frames later."""

    def take(self, block: Block) -> None:
        """Takes the late inputs over the span of the last output; the parameters are those of that span."""


class Reader(Protocol):
    """One channel of a performance, recorded or live."""

    def __call__(self, span: Span) -> Signal:
        """The channel over a span; silence, or no events, where it was not recorded."""


class Source(Protocol):
    """A performance as the graph needs it: named channels."""

    def channel(self, name: str, kind: Kind) -> Reader:
        """The channel, in physical units, as the kind of signal asked for. The graph has checked that it exists."""


@dataclass(frozen=True, slots=True)
class NodeContext:
    """The context in which a node is prepared."""

    inputs: Mapping[str, Shape | Sequence[Shape]]
    """The shape of each input, by the name of its field."""
    seed: int
    """The seed of chance: it differs for every node, and is the same on every run."""
    source: Source
    folder: str
    """The installation's folder; the files of a node are in it."""
    moving: frozenset[str] = frozenset()
    """The parameters that a signal drives or a section sets; the others never change."""

    def shape(self, field: str) -> Shape:
        """The shape of an input that takes one signal."""
        return cast(Shape, self.inputs[field])

    def rate_hz(self, field: str) -> float:
        """The rate of an input that is slow or fast."""
        return AUDIO_RATE_HZ if self.shape(field).kind is Kind.FAST else CONTROL_RATE_HZ

    def random(self) -> Callable[[int], NDArray[np.float64]]:
        """The node's own random stream: a call gives so many numbers, from 0 to 1. A step must draw in order of time.

        numpy promises that the raw stream of PCG64 stays the same; the numbers that its generators make from the stream
        may change.
        """
        bits = np.random.PCG64(self.seed)

        def numbers(count: int) -> NDArray[np.float64]:
            raw = bits.random_raw(count)
            raw >>= np.uint64(11)
            numbers = raw.astype(np.float64)
            numbers *= 2.0**-53
            return numbers

        return numbers


class Node(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One step of the mapping.

    A field that is a port names the nodes that this node listens to; the others are parameters. A parameter whose type
    includes Drive may be driven by a slow signal or set by a section of the form.
    """

    kind: ClassVar[str]
    family: ClassVar[str]
    has_trust: ClassVar[bool] = False
    """Whether it reads the body; then its step gives Trusted."""
    late: ClassVar[frozenset[str]] = frozenset()
    """Late inputs: they may come from later in the graph, and have the shape of the output. The step is then a
    LateStep.
    """
    differs_db: ClassVar[float | None] = None
    """None promises the same bits on every machine. A number is the largest difference in dB relative to the signal, as
    -120.
    """

    def gives(self, inputs: Mapping[str, Shape | Sequence[Shape]]) -> Shape:
        """The shape of its output, from the shapes of its inputs.

        Raises ValueError, in words for people, where the inputs do not fit together.
        """
        raise TypeError(f"{type(self).__name__} does not say what it gives")

    def needs(self) -> Sequence[tuple[str, Kind]]:
        """The channels of the performance that it reads, each with the kind of signal."""
        return ()

    def files(self) -> Sequence[str]:
        """The files in the installation's folder that change its sound."""
        return ()

    def prepare(self, context: NodeContext) -> Step:
        """A step with fresh state.

        Raises ValueError, in words for people, where the parameters do not fit together.
        """
        raise TypeError(f"{type(self).__name__} cannot be prepared")


class Ramp:
    """Converts a control from ticks to frames, in straight lines.

    Frame n within tick k lies on the line from the value of tick k - 1 to that of tick k, so the conversion is causal
    and delays by one tick (0.5 ms).
    """

    _SHARES = np.arange(1, FRAMES_PER_TICK + 1) / FRAMES_PER_TICK

    def __init__(self) -> None:
        self._previous: float | None = None
        self._current = 0.0

    def __call__(self, span: Span, control: Control) -> Control:
        """The control, (frames,), or the number itself while it is constant."""
        if isinstance(control, float) and (self._previous is None or self._previous == self._current == control):
            self._previous = self._current = control
            return control
        values = np.full(span.ticks, control) if isinstance(control, float) else control
        if self._previous is None:
            first = float(values[0]) if len(values) else 0.0
            self._previous = self._current = first
        knots = np.concatenate(([self._previous, self._current], values))
        # A span may begin within a tick: the first pair of knots covers the frames before its first tick.
        tick = span.first_tick - 1
        lead = span.start - tick * FRAMES_PER_TICK
        self._previous, self._current = float(knots[-2]), float(knots[-1])
        if kernel.COMPILED:
            return kernel.lines(knots, self._SHARES, lead, span.frames)
        lines = knots[:-1, None] + (knots[1:] - knots[:-1])[:, None] * self._SHARES
        return lines.reshape(-1)[lead : lead + span.frames]
