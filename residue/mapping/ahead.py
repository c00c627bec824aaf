"""A playback that is computed some blocks at a time and given block by block.

A step of a graph of fifty nodes takes a millisecond before it has computed anything. So a few blocks at once take about
half of the processor time, and have the same bits.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

import numpy as np

from residue.mapping.form import FORM
from residue.mapping.playback import Playback, Played, Signals
from residue.mapping.signals import Events, Signal, Span, within
from residue.mapping.trust import latest


class PlayedAhead:
    """Takes a playback over, and steps it `blocks` blocks at a time; all blocks have one length.

    What changes the playback under way, as a lower plan does, is heard after the blocks that are computed already.
    """

    def __init__(self, playback: Playback, blocks: int) -> None:
        self.playback, self._blocks = playback, blocks
        self._made: Played | None = None
        self._section = playback.section
        self.position = playback.position

    def skip_to(self, frame: int, progress: Callable[[int], None] = lambda frame: None) -> None:
        """Goes silently to a later frame; only before the first step."""
        self.playback.skip_to(frame, progress)
        self.position, self._section = self.playback.position, self.playback.section

    def step(self, frames: int) -> Played:
        """The next block; silence after the end. Raises ValueError for a block of another length than those before."""
        made = self._made
        if made is None or made.span.stop == self.position:
            made = self._made = self.playback.step(frames * self._blocks)
        span = Span(self.position, self.position + frames)
        if span.stop > made.span.stop:
            raise ValueError(f"Blocks of {frames} frames do not fill what is computed")
        self.position = span.stop
        signals = _Part(made.signals, made.span, span)
        if isinstance(changes := signals.get(FORM), Events) and len(changes.values):
            self._section = self.playback.section_named(int(changes.values[-1]))
        first = span.start - made.span.start
        return Played(
            span,
            np.ascontiguousarray(made.outputs[:, first : first + frames]),
            signals,
            self._section,
            made.ended and span.stop >= self.playback.end,
            latest(self.playback.body, signals) if made.signals else {},
        )


class _Part(Mapping[str, Signal]):
    """The signals of a part of a span; each is cut out when somebody asks for it."""

    def __init__(self, signals: Signals, whole: Span, part: Span) -> None:
        self._signals, self._whole, self._part = signals, whole, part

    def __getitem__(self, name: str) -> Signal:
        return within(self._signals[name], self._whole, self._part)

    def __iter__(self) -> Iterator[str]:
        return iter(self._signals)

    def __len__(self) -> int:
        return len(self._signals)

    def __contains__(self, name: object) -> bool:
        return name in self._signals
