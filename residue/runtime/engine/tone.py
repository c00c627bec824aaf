"""A check tone that sounds once, where no turn is under way."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from residue.mapping.signals import frame_at

TONE_REST_S = 2.0
"""For so long after a check tone its peaks are still reported, or still in the cap stage."""


class Tone:
    """The rest of a check tone. told: whether it sounds, or did within TONE_REST_S."""

    def __init__(self) -> None:
        self._left: NDArray[np.float64] | None = None
        self._rest_frames = 0
        self.told = False

    def begin(self, tone: NDArray[np.float64]) -> None:
        """Plays a sound, (outputs, frames), from the next block on."""
        self._left = tone

    def drop(self) -> None:
        """Leaves out the rest of the sound."""
        self._left = None

    def next(self, silence: NDArray[np.float64]) -> NDArray[np.float64]:
        """The next block, of the length of the given silence; after the end, the silence itself."""
        left, frames = self._left, silence.shape[1]
        if left is None:
            self._rest_frames -= frames
            self.told = self.told and self._rest_frames > 0
            return silence
        self._left = left[:, frames:] if left.shape[1] > frames else None
        self._rest_frames, self.told = frame_at(TONE_REST_S), True
        block = left[:, :frames]
        return np.pad(block, ((0, 0), (0, frames - block.shape[1])))
