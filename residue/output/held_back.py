"""Holds the last block back from a stream, so that a sound can still end softly when its sender has ended."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from operator import mul
from typing import Protocol

FRAME_BYTES = array("f").itemsize
"""Of one channel."""


RETIMED_FRAMES = 24
"""A room in step: a block begins so many frames before its hop does, since its retimer looks as far ahead."""


class Stream(Protocol):
    """Takes interleaved float32 frames."""

    def write(self, frames: bytes) -> bool:
        """Plays the frames; gives whether the stream was empty before."""


class HeldBack:
    """Plays each block when the next one comes. Without a next one, the block fades out.

    A sound that breaks off clicks, and a click can pass a cap. The cap stage sends each hop only if it may be the last
    one, faded out in a straight line (loudness/stage/ending.py), and a block is a hop. So a fade keeps the caps.

    ahead: the frames of a block that still belong to the hop before; they are played at once, so that a fade begins
    with a hop.
    """

    def __init__(self, stream: Stream, channels: int, ahead: int = 0) -> None:
        self._stream, self._channels = stream, channels
        self._ahead_bytes = ahead * channels * FRAME_BYTES
        self._held: bytes | None = None
        self._gap = False
        """Whether a block was faded out, and none was written since."""

    @property
    def frames(self) -> int:
        """The frames held back now."""
        return 0 if self._held is None else len(self._held) // (self._channels * FRAME_BYTES)

    def play(self, frames: bytes) -> bool:
        """Takes the next block; gives whether there was an audible gap since the block before."""
        if self._held is None:
            late = self._gap
            self._held = shaped(frames, self._channels, _rise(frames, self._channels)) if self._gap else frames
            return late
        late = self._stream.write(self._held + frames[: self._ahead_bytes]) and not self._gap  # one gap counts once
        self._held, self._gap = frames[self._ahead_bytes :], False
        return late

    def fade_out(self) -> None:
        """Plays the held block, fading to silence; the next block fades in."""
        if self._held is not None:
            fall = [1.0 - gain for gain in _rise(self._held, self._channels)]
            self._stream.write(shaped(self._held, self._channels, fall))
            self._held, self._gap = None, True


def shaped(frames: bytes, channels: int, gains: Sequence[float]) -> bytes:
    """Interleaved float32 frames times a gain for each frame."""
    samples = array("f", frames)
    for channel in range(channels):
        samples[channel::channels] = array("f", map(mul, samples[channel::channels], gains))
    return samples.tobytes()


def _rise(frames: bytes, channels: int) -> list[float]:
    """A straight line up to 1 over some frames."""
    count = len(frames) // (channels * FRAME_BYTES)
    return [frame / count for frame in range(1, count + 1)]
