"""The sound of a playback, kept on the disk, so that it can be played again without going through the graph."""

from __future__ import annotations

import logging
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Self

import numpy as np

from residue.mapping.playback import Playback, Played
from residue.mapping.signals import Fast, Span

logger = logging.getLogger(__name__)

MOST_BYTES = 1 << 30
"""A quarter of an hour of three outputs. The disk of a small computer has so much room for a while; our choice."""


class Replay:
    """Takes the steps of a whole playback, and then gives the same sound in steps of any length.

    outputs: how many there are. folder: where the file is, which has no name and ends with the context.
    """

    def __init__(self, outputs: int, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._outputs = outputs
        self._file = tempfile.TemporaryFile(dir=folder, buffering=0)  # noqa: SIM115 (the context closes it)
        self._taken = 0
        self.whole = False
        """Whether all of the playback was taken."""
        self.position = self.end = 0
        """As those of a playback, of the steps that it gives."""
        self.gains: Callable[[int, int], Fast] | None = None
        """As that of a playback; the one that was taken had none."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def take(self, playback: Playback, played: Played) -> None:
        """Takes a step of the playback; what does not begin at its beginning, or is too much, is not kept."""
        if played.span.start != self._taken or self._file.tell() + played.outputs.nbytes > MOST_BYTES:
            return
        try:
            if self._file.write(np.ascontiguousarray(played.outputs.T).data) < played.outputs.nbytes:
                return
        except OSError as error:  # the sound is made again then
            logger.warning("The sound is not kept for the render: %s", error.strerror)
            return
        self._taken, self.end, self.whole = played.span.stop, playback.end, played.ended

    def step(self, frames: int) -> Played:
        """The next frames; silence after the end."""
        span = Span(self.position, self.position + frames)
        self.position = span.stop
        outputs = np.zeros((self._outputs, frames))
        self._file.seek(span.start * self._outputs * outputs.itemsize)
        read = np.frombuffer(self._file.read(outputs.nbytes)).reshape(-1, self._outputs)
        outputs[:, : len(read)] = read.T
        if self.gains is not None:
            outputs *= self.gains(span.start, frames)
        return Played(span, outputs, {}, None, ended=span.stop >= self.end, readings={})
