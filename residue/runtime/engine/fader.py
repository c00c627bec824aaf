"""A gain that moves from one value to the next without an audible step."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


class Fader:
    """Moves in a straight line; its output is the square, whose level in dB falls faster and faster towards silence."""

    def __init__(self, gain: float) -> None:
        self._root: float = gain**0.5
        self._aim: float = self._root
        self._frames_left = 0

    @property
    def aim(self) -> float:
        """The present gain, or the gain at the end of the movement."""
        return self._aim * self._aim

    @property
    def arrived(self) -> bool:
        """Whether it no longer moves."""
        return self._frames_left == 0

    @property
    def silent(self) -> bool:
        """Whether it has arrived at 0."""
        return self._root == 0.0 and self._frames_left == 0

    def move(self, gain: float, frames: int) -> None:
        """Moves to `gain` within so many frames from now."""
        self._aim = gain**0.5
        self._frames_left = frames
        if frames == 0:
            self._root = self._aim

    def hasten(self, frames: int) -> None:
        """Shortens the movement to so many frames, if it would take longer."""
        self._frames_left = min(self._frames_left, frames)

    def next(self, frames: int) -> NDArray[np.float64]:
        """(frames,): the gains of the next frames."""
        moving = min(frames, self._frames_left)
        roots: NDArray[np.float64] = np.full(frames, self._aim)
        if moving:
            # Counted back from the aim, so that the line does not depend on the blocks.
            slope = (self._root - self._aim) / self._frames_left
            roots[:moving] += slope * np.arange(self._frames_left - 1, self._frames_left - moving - 1, -1)
            self._root = float(roots[moving - 1])
            self._frames_left -= moving
            if self._frames_left == 0:
                self._root = self._aim
        return roots * roots
