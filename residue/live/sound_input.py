"""The sound input: it gives a fixed number of frames each time, also if some are missing."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from residue.mapping.signals import seconds
from residue.problems import ProblemError

logger = logging.getLogger(__name__)

InputFrames = NDArray[np.float32]
"""(channels, frames), NaN where nothing was received."""

LATENCY_S = 0.01
"""What the device is asked for: somebody plays by what they hear."""
MOST_WAITING_S = 0.005
"""If more waits than this, because the machine was too slow for a moment, it is dropped: it would make all that follows
late.
"""
RETRY_S = 1.0
TOLD_S = 5.0
"""Losses within this time are reported once."""


class SoundInput(Protocol):
    """Gives frames as they come: the clock of the recording."""

    def read(self, frames: int) -> InputFrames:
        """The next frames; waits for them. Never raises: where frames are missing, there is NaN."""

    def close(self) -> None:
        """Closes the device."""


class NoSound:
    """Keeps time for a performance with messages only."""

    def __init__(
        self, monotonic_s: Callable[[], float] = time.monotonic, sleep: Callable[[float], None] = time.sleep
    ) -> None:
        self._monotonic_s, self._sleep = monotonic_s, sleep
        self._began_s: float | None = None
        self._frames = 0

    def read(self, frames: int) -> InputFrames:
        """Reads nothing: this input has no channels."""
        self.wait(frames)
        return np.empty((0, frames), np.float32)

    def wait(self, frames: int) -> None:
        """Waits until so many frames more have passed, counted from the first call."""
        now_s = self._monotonic_s()
        self._began_s = now_s if self._began_s is None else self._began_s
        self._frames += frames
        self._sleep(max(0.0, self._began_s + seconds(self._frames) - now_s))

    def close(self) -> None:
        """Does nothing: there is no device to close."""


class InputStream(Protocol):
    """The part of a stream of sounddevice that is used here."""

    @property
    def available(self) -> int:
        """The number of frames that wait to be read; raises OSError without a device."""

    def read(self, frames: int) -> tuple[Any, bool]:
        """Reads (frames, channels), and whether frames were lost before them; raises OSError without a device."""

    def close(self) -> None:
        """Closes the device; never raises."""


class DeviceInput:
    """A sound device that may lose frames, be lost, and come back.

    What follows lost frames is given at once, after a gap of one frame, and not as much later as they lasted: somebody
    plays by what they hear.

    most_waiting_s: if more waits, it is dropped; infinite where nobody plays by it. What waits at the beginning always
    is.
    opens: opens its stream; raises OSError while the device is missing, ProblemError where it is unsuitable. The first
    opening is at construction, so that a missing device is reported at the start.
    """

    def __init__(
        self,
        opens: Callable[[], InputStream],
        channels: int,
        monotonic_s: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
        *,
        most_waiting_s: float = MOST_WAITING_S,
    ) -> None:
        self._opens, self._channels = opens, channels
        self._most_waiting_s = most_waiting_s
        self._monotonic_s = monotonic_s
        self._sleep = sleep
        self._stream: InputStream | None = opens()
        self._away = NoSound(monotonic_s, sleep)
        self._begun = False
        self._waiting = np.empty((channels, 0), np.float32)
        self._retry_at_s = self._tell_at_s = 0.0

    def read(self, frames: int) -> InputFrames:
        """Implements SoundInput."""
        while self._waiting.shape[1] < frames:
            came = self._next(frames - self._waiting.shape[1])
            self._waiting = np.concatenate((self._waiting, came), axis=1)
        given, self._waiting = self._waiting[:, :frames], self._waiting[:, frames:]
        return given

    def close(self) -> None:
        """Implements SoundInput."""
        if self._stream is not None:
            self._stream.close()

    def _next(self, frames: int) -> InputFrames:
        """About so many frames of the device; after lost ones, with a gap of one frame before them."""
        if self._stream is None and self._monotonic_s() >= self._retry_at_s:
            self._try_again()
        if self._stream is None:
            self._away.wait(frames)
            return _nothing(self._channels, frames)
        try:
            dropped = self._drop_surplus(self._stream, frames)
            samples, lost = self._stream.read(frames)
        except OSError as error:
            logger.warning("The sound input is gone: %s. The program keeps looking for it.", error)
            self._stream.close()
            self._stream, self._away = None, NoSound(self._monotonic_s, self._sleep)
            return _nothing(self._channels, 0)
        received = np.ascontiguousarray(samples.T)
        if not (dropped or (lost and self._begun)):
            self._begun = True
            return received
        if self._monotonic_s() >= self._tell_at_s:
            self._tell_at_s = self._monotonic_s() + TOLD_S
            logger.warning("Some of the sound input was lost: this machine was too slow.")
        return np.concatenate((_nothing(self._channels, 1), received), axis=1)

    def _drop_surplus(self, stream: InputStream, frames: int) -> bool:
        """Drops what waits too long; gives whether the performance lacks it. What came before it, it does not lack."""
        surplus = stream.available - frames
        if seconds(surplus) <= (self._most_waiting_s if self._begun else 0.0):
            return False
        stream.read(surplus)
        return self._begun

    def _try_again(self) -> None:
        self._retry_at_s = self._monotonic_s() + RETRY_S
        try:
            self._stream = self._opens()
        except (OSError, ProblemError):  # missing, or another device has the name
            return
        logger.warning("The sound input is back.")


def _nothing(channels: int, frames: int) -> InputFrames:
    return np.full((channels, frames), np.nan, np.float32)
