"""From one performance to another while both sound."""

from __future__ import annotations

import logging

import numpy as np
from numpy.typing import NDArray

from residue.mapping.playback import Playback
from residue.runtime.engine.fader import Fader

logger = logging.getLogger(__name__)


class EveningCrossfade:
    """A crossfade whose two gains always add up to 1.

    So what it gives is nowhere larger in magnitude, nor in mean square, than the louder of the two (both are convex),
    and a crossfade between two performances that are kept by a plan is kept too.
    """

    def __init__(self, leaving: Playback, gain: float, frames: int) -> None:
        self._leaving: Playback | None = leaving
        self._gain = gain
        self._coming = Fader(0.0)
        self._coming.move(1.0, frames)
        self._frames_left = frames

    @property
    def done(self) -> bool:
        """Only the new one is heard."""
        return self._frames_left <= 0

    def into(self, sound: NDArray[np.float64]) -> NDArray[np.float64]:
        """A block (outputs, frames) of the new one, under its gain, with what the old one still gives."""
        frames = sound.shape[1]
        share = self._coming.next(frames)
        self._frames_left -= frames
        return sound * share + self._old(sound) * ((1.0 - share) * self._gain)

    def _old(self, like: NDArray[np.float64]) -> NDArray[np.float64]:
        """The sound of the old performance; silence once it has ended or failed, which does not matter any more."""
        if self._leaving is None:
            return np.zeros_like(like)
        try:
            played = self._leaving.step(like.shape[1])
        except Exception:  # nodes of an artist may raise anything, and the house plays on
            logger.exception("What was crossfaded from failed")
            self._leaving = None
            return np.zeros_like(like)
        if played.ended or not np.isfinite(played.outputs).all():
            self._leaving = None
        return np.where(np.isfinite(played.outputs), played.outputs, 0.0)
