"""A sound device behind a process of its own, which can be ended and started again in every state of the device.

If a device or a sound server hangs, every call to it hangs, also opening and closing, and a thread within such a call
can never be ended.
"""

from __future__ import annotations

import socket
import struct
import subprocess
import time
from contextlib import suppress
from multiprocessing.connection import Connection

import msgspec
import numpy as np
from numpy.typing import NDArray

from residue.loudness.meters.hops import HOP_S
from residue.loudness.stage.capped import Capped
from residue.mapping.signals import AUDIO_RATE_HZ
from residue.output.device_answers import Answer, Lost, Opened, Written, Wrong
from residue.output.routing import Routing
from residue.output.silent import BUFFER_S
from residue.output.sink import Queued, SinkLostError, SinkNotYetError
from residue.problems import ProblemError
from residue.processes import command_of

OPEN_S = 5.0
"""A device that takes longer to open counts as hanging."""
ANSWER_S = 1.0
"""A device that has no room for a block for so long counts as hanging: more than its buffer, less than the watchdog
waits.
"""
END_S = 0.2


class DeviceSink:
    """Writes to the process that plays, and waits for its answer."""

    def __init__(self, process: _Process, routing: Routing, latency_s: float) -> None:
        self._process = process
        self._routing = routing
        self.latency_s = latency_s
        self.late_blocks = 0

    def write(self, capped: Capped) -> None:
        """Plays the frames; counts a stream that was empty before."""
        self.play(self._routing.interleaved(capped))

    def play(self, frames: NDArray[np.float32]) -> Queued:
        """Plays routed frames, and tells what is left to play: a full buffer, if its opener was not asked for it."""
        match self._process.written(frames.tobytes()):
            case Written(late, reading):
                self.late_blocks += late
                now_s = time.monotonic()
                latency_frames = self.latency_s * AUDIO_RATE_HZ
                return reading or Queued(asked_s=now_s, at_s=now_s, queued_frames=latency_frames)
            case Lost(why):
                raise SinkLostError(why)
            case other:
                raise TypeError(f"{other} does not answer a write")

    def close(self) -> None:
        """Closes the device, even a lost one."""
        self._process.end()


class DeviceOpener:
    """Opens a device by its name, or a unique part of its name; never by its number, which changes.

    The first call waits for the device. Later calls return at once, because the caller keeps the pace of a house, and
    calls again.
    """

    def __init__(
        self, name: str, routing: Routing, buffer_s: float = BUFFER_S, block_s: float = HOP_S, *, timed: bool = False
    ) -> None:
        """timed: whether what it opens tells what is left to play."""
        self._name = name
        self._timed = timed
        self._routing = routing
        self._buffer_s, self._block_s = buffer_s, block_s
        self._waits_s = OPEN_S
        self._last: _Process | None = None
        self._opening: _Process | None = None

    def __call__(self) -> DeviceSink:
        """Raises SinkNotYetError, SinkLostError while the device is missing, ProblemError where it is unsuitable."""
        wait_s, self._waits_s = self._waits_s, 0.0
        if self._opening is None:
            if self._last is not None and self._last.lives:  # one for each attempt would fill the memory
                raise SinkLostError(f'The sound device "{self._name}" hangs in the kernel and cannot be ended.')
            self._opening = self._last = self._begun()
        process, answer = self._opening, self._opening.answer(wait_s)
        if answer is None and process.age_s < OPEN_S:
            raise SinkNotYetError(f'The sound device "{self._name}" is being opened.', self._leave_off)
        self._opening = None
        if isinstance(answer, Opened):
            return DeviceSink(process, self._routing, answer.latency_s + self._block_s)  # one is held back
        process.end()
        if isinstance(answer, Wrong):
            raise ProblemError(answer.findings)
        raise SinkLostError(answer.why if isinstance(answer, Lost) else f'The sound device "{self._name}" hangs.')

    def _begun(self) -> _Process:
        try:
            return _Process(self._name, self._routing.width, self._buffer_s, timed=self._timed)
        except OSError as error:  # for example when memory is short
            what = f'No process can be started to play on the sound device "{self._name}": {error.strerror}.'
            raise SinkLostError(what) from error

    def _leave_off(self) -> None:
        if self._opening is not None:
            self._opening.end()
            self._opening = None


class _Process:
    """The process that plays, and the connection to it."""

    def __init__(self, name: str, channels: int, buffer_s: float, *, timed: bool) -> None:
        given = [name, str(channels), str(AUDIO_RATE_HZ), str(buffer_s), str(int(timed))]
        command = command_of("residue.output.device_process", given)
        ours, theirs = socket.socketpair()
        # A process that answers has read everything, so a send waits only for one without an answer; twice if long.
        ours.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, struct.pack("@ll", 0, round(ANSWER_S / 2 * 1e6)))
        with ours, theirs:  # in a session of its own, so that keys at a terminal do not reach it
            self._process = subprocess.Popen(command, stdin=theirs.fileno(), start_new_session=True)
            self._connection = Connection(ours.detach())
        self._begun_s = time.monotonic()

    @property
    def lives(self) -> bool:
        """Whether it still runs."""
        return self._process.poll() is None

    @property
    def age_s(self) -> float:
        """The time since its start."""
        return time.monotonic() - self._begun_s

    def answer(self, wait_s: float) -> Answer | None:
        """The answer of the process within this time; None if there is none."""
        try:
            if self._connection.poll(wait_s):
                answer: Answer = _DECODER.decode(self._connection.recv_bytes())
                return answer
        except (EOFError, OSError):
            return _ENDED
        return None

    def written(self, frames: bytes) -> Answer:
        """Sends interleaved float32 frames; gives the answer of the process."""
        try:
            self._connection.send_bytes(frames)
        except BlockingIOError:
            return _HANGS
        except OSError:
            return _ENDED
        return self.answer(ANSWER_S) or _HANGS

    def end(self) -> None:
        """Ends the process in any state."""
        self._process.kill()
        self._connection.close()
        with suppress(subprocess.TimeoutExpired):  # one that hangs in the kernel ends when its device answers
            self._process.wait(END_S)


_DECODER = msgspec.json.Decoder(Answer)
_HANGS = Lost("The sound device hangs.")
_ENDED = Lost("The process that plays on the sound device ended unexpectedly.")
