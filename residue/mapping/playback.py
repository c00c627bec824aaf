"""The playback of a performance through the graph."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol, cast

import numpy as np

from residue.mapping.form import FORM, FormState, FormStep
from residue.mapping.graph import Graph, drivable, listens_to, ports, trusts_at
from residue.mapping.late_beginning import younger
from residue.mapping.lineage import above
from residue.mapping.node import Block, Control, Drive, LateStep, Node, NodeContext, Source, Step, Trusted
from residue.mapping.nodes.space import ToOutputs
from residue.mapping.signals import FRAMES_PER_TICK, Events, Fast, Shape, Signal, Slow, Span, frame_at, joined
from residue.mapping.trust import BodyReading, combined, latest, trust_of
from residue.problems import Finding, ProblemError, Severity

Signals = Mapping[str, Signal]


@dataclass(frozen=True, slots=True)
class Played:
    """The output of one step of a playback.

    outputs: (outputs, frames), in the order of the piece's outputs.
    readings: by node, the reading of the body at the end of the span. signals: by name, the output of each node over
    the span, and the trust of those that have one.
    """

    span: Span
    outputs: Fast
    signals: Signals
    section: str | None
    ended: bool
    readings: Mapping[str, BodyReading]


class Playable(Protocol):
    """A performance that is played in steps of any length."""

    @property
    def position(self) -> int:
        """The first frame of the next step."""

    def step(self, frames: int) -> Played:
        """The next frames; silence after the end."""


@dataclass(frozen=True, slots=True)
class PlaybackState:
    """The state of a playback at a frame, or a part of it.

    form: None if it is not known. steps: by node. since: as in Playback.
    """

    position: int
    form: FormState | None
    steps: Mapping[str, Step]
    since: Mapping[str, int]


class Playback:
    """One performance through the prepared graph, from its beginning, in steps of any length.

    The output does not depend on the lengths of the steps. The playback ends with the form, or at the latest with the
    recording. The closing fade is after the end of the form, or before the end of the recording. frames: the length of
    the recording. Raises ProblemError where a node cannot be prepared.
    """

    def __init__(self, graph: Graph, source: Source, frames: int, folder: str) -> None:
        self._graph = graph
        self._fade_frames = frame_at(graph.piece.closing_fade_s)
        self._last_fade_start = max(0, frames - self._fade_frames)
        self._form = FormStep(graph.piece.section, _initial(graph))
        self._stages = _prepare(graph, source, folder)
        self._sent = {
            name: [graph.piece.outputs.index(output) for output in node.to]
            for name, node in graph.nodes.items()
            if isinstance(node, ToOutputs)
        }
        self._late = [stage for stage in self._stages.values() if isinstance(stage, _LateStage)]
        self.position = 0
        self.since: dict[str, int] = {}
        """By node, the frame at which its memory begins; 0 or nothing for the beginning of the performance."""
        self.gains: Callable[[int, int], Fast] | None = None
        """A gain that moves, on all outputs: a function of the first frame and the number of frames, giving (frames,).
        A plan may set one.
        """

    @property
    def body(self) -> Collection[str]:
        """The nodes that read the body."""
        return self._graph.body

    @property
    def section(self) -> str | None:
        """The name of the section at the position; None where there is none."""
        return self._form.section

    def section_named(self, number: int) -> str | None:
        """The name of a section, as the form numbers them from 1 on; one more than there are for the end."""
        return self._form.named(number)

    def end_at(self, frame: int) -> None:
        """Sets the end of the recording, when it becomes known; the closing fade before it must not have begun."""
        self._last_fade_start = max(0, frame - self._fade_frames)

    @property
    def end(self) -> int:
        """The frame at which it ends: the end of the recording, unless the form ended before."""
        return self._fade_start() + self._fade_frames

    def step(self, frames: int) -> Played:
        """The next frames; silence after the end."""
        span = Span(self.position, self.position + frames)
        self.position = span.stop
        if self._over(span.start):
            silence = np.zeros((len(self._graph.piece.outputs), frames))
            return Played(span, silence, {}, self._form.section, ended=True, readings={})
        parts = [self._through(piece) for piece in self._pieces(span)]
        signals = parts[0] if len(parts) == 1 else {name: joined([part[name] for part in parts]) for name in parts[0]}
        outputs = self._gather(span, signals)
        self._fade(span, outputs)
        if self.gains is not None:
            outputs *= self.gains(span.start, span.frames)
        return Played(
            span, outputs, signals, self._form.section, self._over(span.stop), latest(self._graph.body, signals)
        )

    def _pieces(self, span: Span) -> list[Span]:
        """The span in pieces, short enough that each late signal was there before the piece that needs it."""
        longest = min((stage.longest for stage in self._late), default=span.frames)
        if span.frames <= longest:
            return [span]
        return [Span(start, min(start + longest, span.stop)) for start in range(span.start, span.stop, longest)]

    def _through(self, span: Span) -> dict[str, Signal]:
        """The signal of each node over a span, and the trust of those that have one."""
        signals: dict[str, Signal] = {}
        set_by_form: dict[str, Control] = {}
        for name in self._graph.order:
            if name == FORM:
                signals[FORM], set_by_form = self._form(span, _slow_only(signals))
            else:
                signals[name], trust = self._stages[name](span, signals, set_by_form)
                if trust is not None:
                    signals[trust_of(name)] = trust
        for stage in self._late:
            stage.take(span, signals, set_by_form)
        return signals

    def state(self) -> PlaybackState:
        """The state after the last step. It goes on changing with the playback: keep it as bytes at once."""
        steps = {name: stage.step for name, stage in self._stages.items()}
        return PlaybackState(self.position, self._form.state, steps, dict(self.since))

    def take(self, state: PlaybackState, section: str | None = None) -> None:
        """Goes on from a state of this performance, of which nodes and the form may be missing.

        A missing node begins at that place, without a memory, and what listens to it has no whole memory from there on.
        section: the section in which a missing form is taken to be (FormStep.assume).
        """
        self.position = state.position
        for name, stage in self._stages.items():
            if name in state.steps:
                stage.step = state.steps[name]
                self.since[name] = state.since.get(name, 0)
            elif state.position and not self._graph.nodes[name].needs():  # channels are read by the time alone
                stage.step = younger(stage.step, state.position)
                self.since[name] = state.position
        if state.form is not None:
            self._form.state = state.form
            self.since[FORM] = state.since.get(FORM, 0)
        elif state.position:
            self.since[FORM] = state.position
            self._form.assume(-(-state.position // FRAMES_PER_TICK), section)
        # What listens to a node without a memory goes on from another sound than the one that its state follows from.
        own = dict(self.since)
        self.since = {name: max(own.get(one, 0) for one in reach) for name, reach in above(self._graph).items()}

    def skip_to(self, frame: int, progress: Callable[[int], None] = lambda frame: None) -> None:
        """Goes silently to a later frame; the state there is that of an unbroken run."""
        while self.position < frame:
            self.step(min(SKIP_FRAMES, frame - self.position))
            progress(self.position)

    def _fade_start(self) -> int:
        ended = self._form.ended_tick
        return self._last_fade_start if ended is None else min(self._last_fade_start, ended * FRAMES_PER_TICK)

    def _over(self, frame: int) -> bool:
        return frame >= self.end

    def _gather(self, span: Span, signals: Signals) -> Fast:
        """Sums the signals of the output nodes into each output, in the order of the nodes."""
        outputs = np.zeros((len(self._graph.piece.outputs), span.frames))
        for name, places in self._sent.items():
            sent = cast(Fast, signals[name])
            for channel, place in enumerate(places):
                outputs[place] += sent[channel % len(sent)]
        return outputs

    def _fade(self, span: Span, outputs: Fast) -> None:
        """Applies the closing fade: the square of a falling line, whose level in dB falls faster and faster."""
        start = self._fade_start()
        if span.stop <= start:
            return
        first = max(span.start, start)
        left = np.maximum(start + self._fade_frames - np.arange(first, span.stop), 0) / self._fade_frames
        # Adding zero makes the zeros after the fade positive, as they are in a block that lies wholly after it.
        outputs[:, first - span.start :] = outputs[:, first - span.start :] * (left * left) + 0.0


SKIP_FRAMES = 48_000


class _Stage:
    """A prepared node with the names of its inputs, so that a step only looks them up."""

    def __init__(self, name: str, node: Node, step: Step, trusts: Sequence[str], moving: frozenset[str]) -> None:
        self.step, self._trusts = step, trusts
        self._inputs = _names(node, late=False)
        self._trusted = {
            field: trust_of(source)
            for field, source in self._inputs.items()
            if isinstance(source, str) and trust_of(source) in trusts
        }
        self._numbers: dict[str, float] = {}
        self._drives: dict[str, Drive] = {}
        for field in drivable(type(node)):
            value = getattr(node, field)
            if isinstance(value, Drive):
                self._drives[field] = value
            else:
                self._numbers[field] = float(value)
        self._set_keys = {field: f"{name}.{field}" for field in self._numbers if field in moving}

    def __call__(self, span: Span, signals: Signals, set_by_form: Mapping[str, Control]) -> Trusted:
        known = {field: _slow(signals[name]) for field, name in self._trusted.items()}
        given = self.step(Block(span, _wired(self._inputs, signals), self._controls(signals, set_by_form), known))
        return combined(given, [_slow(signals[name]) for name in self._trusts])

    def _controls(self, signals: Signals, set_by_form: Mapping[str, Control]) -> Mapping[str, Control]:
        if not self._set_keys and not self._drives:
            return self._numbers
        controls: dict[str, Control] = {**self._numbers}
        for field, key in self._set_keys.items():
            controls[field] = set_by_form.get(key, self._numbers[field])
        for field, drive in self._drives.items():
            controls[field] = np.interp(_slow(signals[drive.source]), drive.at, drive.gives)
        return controls


def _names(node: Node, *, late: bool) -> dict[str, str | Sequence[str]]:
    """By field, the name of the signal of an input, or the names; of the late inputs or of the others."""
    return {
        field: source if isinstance(source := getattr(node, field), str) else listens_to(node, field)
        for field in ports(type(node))
        if (field in node.late) == late
    }


def _wired(inputs: Mapping[str, str | Sequence[str]], signals: Signals) -> dict[str, Signal | Sequence[Signal]]:
    """The signals that a node listens to, by field."""
    return {
        field: signals[names] if isinstance(names, str) else [signals[name] for name in names]
        for field, names in inputs.items()
    }


class _LateStage(_Stage):
    """A prepared node with late inputs."""

    def __init__(self, name: str, node: Node, step: LateStep, trusts: Sequence[str], moving: frozenset[str]) -> None:
        super().__init__(name, node, step, trusts, moving)
        self._late_inputs = _names(node, late=True)
        self.longest = step.longest

    def take(self, span: Span, signals: Signals, set_by_form: Mapping[str, Control]) -> None:
        """Gives the node its late inputs over the span of its last output."""
        controls = self._controls(signals, set_by_form)
        cast(LateStep, self.step).take(Block(span, _wired(self._late_inputs, signals), controls))


def _prepare(graph: Graph, source: Source, folder: str) -> dict[str, _Stage]:
    stages: dict[str, _Stage] = {}
    findings: list[Finding] = []
    for name, node in graph.nodes.items():
        shapes: dict[str, Shape | Sequence[Shape]] = {}
        for field in ports(type(node)):
            wired = getattr(node, field)
            given = [graph.shapes[source_name] for source_name in listens_to(node, field)]
            shapes[field] = given[0] if isinstance(wired, str) else given
        try:
            moving = graph.moving[name]
            step = node.prepare(NodeContext(shapes, _seed(graph.piece.title, name), source, folder, moving))
            trusts = trusts_at(node, graph.shapes) if trust_of(name) in graph.shapes else []
            stages[name] = (
                _LateStage(name, node, cast(LateStep, step), trusts, moving)
                if node.late
                else _Stage(name, node, step, trusts, moving)
            )
        except ValueError as error:
            findings.append(Finding(Severity.STOPS, f"piece.toml: node.{name}", str(error), ""))
    if findings:
        raise ProblemError(findings)
    return stages


def _seed(title: str, name: str) -> int:
    return int.from_bytes(hashlib.sha256(f"{title}/{name}".encode()).digest()[:8], "big")


def _initial(graph: Graph) -> dict[str, float]:
    """The value of each parameter before a section sets it."""
    keys = {key for section in graph.piece.section for key in section.set}
    return {key: graph.number(key) for key in sorted(keys)}


def _slow(signal: Signal) -> Slow:
    if isinstance(signal, Events):
        raise TypeError("A drive listens to a slow signal")
    return signal


def _slow_only(signals: Signals) -> dict[str, Slow]:
    return {name: signal for name, signal in signals.items() if not isinstance(signal, Events)}
