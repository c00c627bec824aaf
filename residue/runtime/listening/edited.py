"""What is heard while a piece is edited: one version, and the next one from the same place on."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from residue.mapping.playback import Played
from residue.mapping.signals import Span, frame_at, seconds
from residue.runtime.engine.fader import Fader
from residue.runtime.listening.trail import Trail

logger = logging.getLogger(__name__)

CROSSFADE_S = 0.5
"""Short enough to hear what an edit changes, long enough that nothing clicks; our choice."""
Floats = NDArray[np.float64]
Mixing = Callable[[Trail, Floats], Floats]
"""From the outputs of a version to those of the cap stage."""


class Edited:
    """Plays a trail; another one that is offered takes its place at the same frame, with a crossfade.

    The gains of the crossfade add up to 1, and where both versions give the same bits so does their mixture. If the new
    one fails within the crossfade, the old one plays on; if the only one fails, or the old one before the new one is
    there alone, it fades out and ends. rise_s: the time in which the first sound comes up. tell: called with a sentence
    where a version fails.
    """

    def __init__(self, trail: Trail, mix: Mixing, rise_s: float, tell: Callable[[str], None]) -> None:
        self._now = trail
        self._mix = mix
        self._tell = tell
        self._last = np.zeros((0, 0))
        self.failed = False
        self._rise = Fader(0.0)
        self._rise.move(1.0, frame_at(rise_s))
        self._offered: Trail | None = None
        self._leaving: Trail | None = None
        self._share = Fader(1.0)

    @property
    def now(self) -> Trail:
        """The version that is heard, or that comes in."""
        return self._now

    @property
    def offered(self) -> Trail | None:
        """The version that waits. It is not taken over here any more once the one that was heard has failed."""
        return self._offered

    @property
    def settled(self) -> bool:
        """Whether one version is heard alone, and no other one waits."""
        return self._offered is None and self._leaving is None and not self.failed

    @property
    def position(self) -> int:
        """The first frame of the next step."""
        return self._now.position

    def offer(self, trail: Trail) -> None:
        """Takes over another version as soon as the present one is at its place; any thread may call it."""
        self._offered = trail

    def step(self, frames: int) -> Played:
        """The next frames, as the cap stage takes them."""
        if self._leaving is None and self._offered is not None:
            self._take_up(self._offered)
        played, sound = self._alone(frames) if self._leaving is None else self._both(self._leaving, frames)
        self._last = sound * self._rise.next(frames)
        return replace(played, outputs=self._last)

    def _alone(self, frames: int) -> tuple[Played, Floats]:
        start = self.position
        try:
            return self._made(self._now, frames)
        except Exception as error:  # noqa: BLE001 (nodes of an artist may raise any error)
            return self._farewell(Span(start, start + frames), error)

    def _farewell(self, span: Span, error: Exception) -> tuple[Played, Floats]:
        """The last block, mirrored so that it continues without a step, and faded to silence."""
        logger.debug("The piece failed", exc_info=error)
        mend = "Save it corrected, and it goes on there." if self._offered is None else "The next version goes on."
        self._tell(f"The piece failed at {seconds(span.start):.1f} s: {error}. {mend}")
        self.failed = True
        sound = self._last[:, ::-1] * np.linspace(1.0, 0.0, span.frames) ** 2
        return Played(span, sound, {}, None, ended=True, readings={}), sound

    def _made(self, trail: Trail, frames: int) -> tuple[Played, Floats]:
        played = trail.step(frames)
        sound = self._mix(trail, played.outputs)
        if not np.isfinite(sound).all():
            raise FloatingPointError("it gave a value that is not a number, or is infinite")
        return played, sound

    def _take_up(self, offered: Trail) -> None:
        if offered.position > self.position:
            return
        if self._offered is offered:  # else another one has been offered since
            self._offered = None
        try:
            offered.skip_to(self.position)
        except Exception as error:  # noqa: BLE001 (nodes of an artist may raise any; the version before plays on)
            self._give_up(error)
            return
        self._leaving, self._now = self._now, offered
        self._share = Fader(0.0)
        self._share.move(1.0, frame_at(CROSSFADE_S))

    def _both(self, leaving: Trail, frames: int) -> tuple[Played, Floats]:
        start = self.position
        try:
            _, old = before = self._made(leaving, frames)
        except Exception as error:  # noqa: BLE001 (nodes of an artist may raise any error)
            self._leaving, self._offered = None, self._offered or self._now
            return self._farewell(Span(start, start + frames), error)
        try:
            played, new = self._made(self._now, frames)
        except Exception as error:  # noqa: BLE001 (nodes of an artist may raise any; the version before plays on)
            self._give_up(error)
            self._now, self._leaving = leaving, None
            return before
        sound = old + (new - old) * self._share.next(frames)
        if self._share.arrived:
            self._leaving = None
        return played, sound

    def _give_up(self, error: Exception) -> None:
        logger.debug("The edited piece failed", exc_info=error)
        self._tell(f"The edited piece fails: {error}. The one before plays on.")
