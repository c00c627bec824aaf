"""A step that begins in the middle of a performance, as if the performance began there.

Steps count time from their own first frame. So one that begins later is given the time since then, and what it tells is
told in the time of the performance again. What reads a channel is not one of them: it needs the time of the recording.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import cast

from residue.mapping.node import Block, LateStep, Step, Trusted
from residue.mapping.signals import Events, Signal, Span


def younger(step: Step, born: int) -> Step:
    """A fresh step whose time begins at the frame `born`, which must lie on a tick."""
    return _YoungerLate(step, born) if hasattr(step, "take") else _Younger(step, born)


class _Younger:
    def __init__(self, step: Step, born: int) -> None:
        self._step, self._born = step, born

    def __call__(self, block: Block) -> Signal | Trusted:
        given = self._step(_since(block, self._born))
        if isinstance(given, Trusted):
            return Trusted(_moved(given.signal, self._born), given.trust)
        return _moved(given, self._born)


class _YoungerLate(_Younger):
    def __init__(self, step: Step, born: int) -> None:
        super().__init__(step, born)
        self.longest = cast(LateStep, step).longest

    def take(self, block: Block) -> None:
        """Takes the late inputs over the span of the last output."""
        cast(LateStep, self._step).take(_since(block, self._born))


def _since(block: Block, born: int) -> Block:
    span = Span(block.span.start - born, block.span.stop - born)
    inputs: dict[str, Signal | Sequence[Signal]] = {
        field: [_moved(one, -born) for one in given] if isinstance(given, list) else _moved(cast(Signal, given), -born)
        for field, given in block.inputs.items()
    }
    return Block(span, inputs, block.controls, block.trusts)


def _moved(signal: Signal, frames: int) -> Signal:
    """Events so many frames later; other signals go with their span."""
    return Events(signal.frames + frames, signal.values) if isinstance(signal, Events) else signal
