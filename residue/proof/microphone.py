"""The measuring microphone as an input that may be read late: nothing that it hears is dropped meanwhile.

Nobody plays by it, so it waits in a long buffer of the device. A busy machine then costs a proof nothing.
"""

from __future__ import annotations

from collections import deque
from math import inf
from typing import Final

from residue.live.sound_input import SoundInput
from residue.mapping.signals import frame_at, seconds
from residue.problems import ProblemError, without_place

LATENCY_S: Final = 1.0
"""What the device is asked for; our choice. So long a reader may be late."""
WHERE: Final = "room.toml: microphone.device"
_READINGS: Final = 600
"""In so many, of a second at most, two clocks run apart by some tens of ms."""


def open_microphone(device: str, channels: int) -> SoundInput:
    """The first `channels` inputs of the device. Raises ProblemError where it cannot be used now."""
    # Only who listens needs PortAudio.
    from residue.live.device_input import open_input

    return open_input(device, channels, WHERE, latency_s=LATENCY_S, most_waiting_s=inf)


def microphone_or_trouble(device: str, channels: int) -> SoundInput | str:
    """The microphone, or why it cannot be used, in a sentence with what to do."""
    try:
        return open_microphone(device, channels)
    except ProblemError as error:
        return without_place(error.findings)
    except OSError as error:  # PortAudio itself is missing
        return f"The microphone cannot be opened: {error}. Install libportaudio2."


class Beginning:
    """When the first frame of all was heard, from when each part was read: the earliest that the last readings say.

    frames: so many were read. A frame is never read before it was heard, and whatever holds a reader up only makes it
    later.
    """

    def __init__(self) -> None:
        self.frames = 0
        self._says_s: deque[float] = deque(maxlen=_READINGS)

    def read(self, frames: int, now_s: float) -> None:
        """So many frames more were read, at this moment."""
        self.frames += frames
        self._says_s.append(now_s - seconds(self.frames))

    def frame_at(self, moment_s: float) -> int:
        """The frame, counted from the first that was read, that was heard at this moment; may be below 0."""
        return frame_at(moment_s - min(self._says_s))
