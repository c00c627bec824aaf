"""The form of a piece: its sections, what ends each, and the parameters they set.

The form is itself a step of the graph. It listens to the slow signals that its endings name, gives the section
changes as events, and drives the parameters that its sections set. Because it has a place in the graph's order like any
node, a section change takes effect at its own tick, whatever the blocks. Therefore a section may not set a parameter on
which its endings depend: that is a loop, and is refused like any other loop.
"""

from __future__ import annotations

import itertools
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from residue.mapping.node import Control
from residue.mapping.piece import Ending, Section
from residue.mapping.signals import CONTROL_RATE_HZ, FRAMES_PER_TICK, Events, Signal, Slow, Span, seconds

FORM = "form"
"""The name by which nodes listen to the section changes. The value of an event is the section's number."""


def section_changes(changes: Signal | None, sections: Sequence[Section]) -> list[tuple[float, str]]:
    """When each section begins (s), and its name; the end of the last one is "end". changes: the signal of the form."""
    if not isinstance(changes, Events):  # after the end of a piece there are no signals
        return []
    names = [*(section.name for section in sections), "end"]
    numbered = zip(changes.frames.tolist(), changes.values.tolist(), strict=True)
    return [(seconds(frame), names[int(number) - 1]) for frame, number in numbered]


def _ticks(time_s: float) -> int:
    return round(time_s * CONTROL_RATE_HZ)


@dataclass(slots=True)
class _Line:
    """A parameter that moves in a straight line from one value to the next."""

    start_tick: int
    ticks: int
    begins: float
    aims: float

    def at(self, ticks: Slow) -> Slow:
        passed = ticks - self.start_tick
        line = self.begins + (self.aims - self.begins) * (passed / max(self.ticks, 1))
        # The line may miss its end by a rounding; a parameter that has arrived must be exactly the end value.
        return np.where(passed >= self.ticks, self.aims, line)

    def done_by(self, tick: int) -> bool:
        return tick >= self.start_tick + self.ticks


@dataclass(slots=True, kw_only=True)
class FormState:
    """The state of a form. It follows from the sections that have begun, and from none after them."""

    number: int = 0
    """The number of the present section; 0 before the first, and one more than there are sections after the last."""
    start_tick: int = 0
    unmet_tick: int = -1
    """The last tick at which the condition of the present ending did not hold."""
    lines: dict[str, _Line] = field(default_factory=dict)
    """By parameter, for those that a section has set."""
    ended_tick: int | None = None


class FormStep:
    """The form while a performance plays. initial: by "node.parameter", its value before any section sets it."""

    def __init__(self, sections: Sequence[Section], initial: Mapping[str, float]) -> None:
        self._sections = sections
        self._initial = initial
        self.state = FormState()

    @property
    def section(self) -> str | None:
        """The name of the present section; None before the first and when the piece has no form."""
        return self.named(self.state.number)

    def named(self, number: int) -> str | None:
        """The name of a section by its number; after the last one its name stays."""
        return self._sections[min(number, len(self._sections)) - 1].name if number else None

    @property
    def ended_tick(self) -> int | None:
        """The tick at which the last section ended."""
        return self.state.ended_tick

    def assume(self, tick: int, section: str | None) -> None:
        """Goes on at a tick to which it has not come by itself, with all numbers where the sections before leave them.

        section: the one that it is taken to be in, since its beginning; if there is none of that name, each section
        before is taken to have lasted as long as it may, and the last one lasts.
        """
        names = [one.name for one in self._sections]
        begins = [0, *itertools.accumulate(_ticks(one.at_most_s) for one in self._sections)]
        number = names.index(section) + 1 if section in names else bisect_right(begins[:-1], tick)
        known = section not in names and tick < begins[-1]
        start_tick = begins[number - 1] if known else tick
        aims = {key: aim for one in self._sections[:number] for key, aim in one.set.items()}
        lines = {key: _Line(0, 0, aim, aim) for key, aim in aims.items()}
        self.state = FormState(number=number, start_tick=start_tick, unmet_tick=tick - 1, lines=lines)

    def __call__(self, span: Span, signals: Mapping[str, Slow]) -> tuple[Events, dict[str, Control]]:
        """The section changes within the span, and the parameters that the form drives."""
        if not self._sections or not span.ticks:
            return Events(), {key: line.aims for key, line in self.state.lines.items()}
        changes = list(self._changes(span, signals)) if self.ended_tick is None else []
        for key in (key for _, number in changes for key in self._set_by(number)):
            self.state.lines.setdefault(key, _Line(0, 0, self._initial[key], self._initial[key]))
        edges = [span.first_tick, *(tick for tick, _ in changes), span.last_tick]
        pieces: dict[str, list[Slow]] = {key: [] for key in self.state.lines}
        for index, (begin, end) in enumerate(itertools.pairwise(edges)):
            if index:
                self._enter(*changes[index - 1])
            for key, line in self.state.lines.items():
                pieces[key].append(line.at(np.arange(begin, end, dtype=np.float64)))
        frames = np.array([tick * FRAMES_PER_TICK for tick, _ in changes], np.int64)
        values = np.array([float(number) for _, number in changes])
        return Events(frames, values), self._controls(span, pieces)

    def _controls(self, span: Span, pieces: Mapping[str, Sequence[Slow]]) -> dict[str, Control]:
        """A parameter that does not move within the span is a number, which costs less in the nodes behind."""
        return {
            key: line.aims if line.done_by(span.first_tick) and len(pieces[key]) == 1 else np.concatenate(pieces[key])
            for key, line in self.state.lines.items()
        }

    def _set_by(self, number: int) -> Mapping[str, float]:
        """What a section sets; nothing for the end."""
        return self._sections[number - 1].set if number <= len(self._sections) else {}

    def _enter(self, tick: int, number: int) -> None:
        lines = self.state.lines
        for key, aim in self._set_by(number).items():
            now = float(lines[key].at(np.array([float(tick)]))[0])
            lines[key] = _Line(tick, _ticks(self._sections[number - 1].over_s), now, aim)

    def _changes(self, span: Span, signals: Mapping[str, Slow]) -> list[tuple[int, int]]:
        """(tick, number of the section that begins) for each change; the number after the last section is the end."""
        changes = []
        tick = span.first_tick
        if self.state.number == 0:
            changes.append(self._begin(tick))
        while self.ended_tick is None:
            section = self._sections[self.state.number - 1]
            change = self.state.start_tick + _ticks(section.at_most_s)
            if section.ends is not None:
                met = self._first_met(section.ends, section.at_least_s, span, tick, signals[section.ends.signal])
                change = min(change, met)
            if change >= span.last_tick:
                break
            tick = max(change, tick)
            changes.append(self._begin(tick))
        return changes

    def _begin(self, tick: int) -> tuple[int, int]:
        self.state.number += 1
        self.state.start_tick, self.state.unmet_tick = tick, tick - 1
        if self.state.number > len(self._sections):
            self.state.ended_tick = tick
        return tick, self.state.number

    def _first_met(self, ending: Ending, at_least_s: float, span: Span, tick: int, signal: Slow) -> int:
        """The first tick from `tick` on at which the ending has held for long enough; the span's end if none."""
        values = signal[tick - span.first_tick :]
        holds = ending.holds(values)
        ticks = np.arange(tick, tick + len(values))
        unmet = np.maximum.accumulate(np.where(holds, self.state.unmet_tick, ticks))
        enough = ticks - unmet > _ticks(ending.for_s)
        enough &= ticks >= self.state.start_tick + _ticks(at_least_s)
        if enough.any():
            return int(ticks[np.argmax(enough)])
        if len(values):
            self.state.unmet_tick = int(unmet[-1])
        return span.last_tick
