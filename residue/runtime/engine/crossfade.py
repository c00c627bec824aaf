"""Moves from one performance to another while both sound."""

from __future__ import annotations

import logging

import numpy as np
from numpy.typing import NDArray

from residue.mapping.playback import Playable
from residue.runtime.engine.fader import Fader

logger = logging.getLogger(__name__)


class EveningCrossfade:
    """A crossfade whose two gains always add up to 1.

    So its output is never larger in magnitude, nor in mean square, than the louder of the two (both are convex). If a
    plan keeps the caps for both performances, the caps also hold in the crossfade.
    """

    def __init__(self, leaving: Playable, gain: float, frames: int) -> None:
        self._leaving: Playable | None = leaving
        self._gain = gain
        self._coming = Fader(0.0)
        self._coming.move(1.0, frames)
        self._frames_left = frames

    @property
    def done(self) -> bool:
        """Whether only the new one is heard."""
        return self._frames_left <= 0

    def into(self, sound: NDArray[np.float64]) -> NDArray[np.float64]:
        """Adds the rest of the old performance to a block of the new one, (outputs, frames), under their gains."""
        frames = sound.shape[1]
        share = self._coming.next(frames)
        self._frames_left -= frames
        return sound * share + self._old(sound) * ((1.0 - share) * self._gain)

    def _old(self, like: NDArray[np.float64]) -> NDArray[np.float64]:
        """The sound of the old performance; silence after it has ended or failed, which no longer matters."""
        if self._leaving is None:
            return np.zeros_like(like)
        try:
            played = self._leaving.step(like.shape[1])
        except Exception:  # nodes of an artist may raise any error, and the house continues to play
            logger.exception("What was crossfaded from failed")
            self._leaving = None
            return np.zeros_like(like)
        if played.ended or not np.isfinite(played.outputs).all():
            self._leaving = None
        return np.where(np.isfinite(played.outputs), played.outputs, 0.0)
