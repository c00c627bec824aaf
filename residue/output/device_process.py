"""The process that plays on a sound device.

PortAudio lists devices only when it is initialised, and hangs if a device or a sound server hangs. A process of its own
sees the present devices, and can be ended. Its arguments are the device's name, the channels, the rate in Hz, the
buffer in s, and 1 where every answer is to tell what is left to play, else 0. Its standard input is a connection to the
process that makes the frames (see device_answers.py). It lives on after that process was killed, until the sound has
faded out.
"""

from __future__ import annotations

import os
import select
import signal
import sys
import threading
import time
from collections.abc import Callable
from contextlib import nullcontext, suppress
from multiprocessing.connection import Connection
from typing import TYPE_CHECKING

import msgspec

from residue.output.device_answers import Answer, Lost, Opened, Written, Wrong
from residue.output.held_back import FRAME_BYTES, RETIMED_FRAMES, HeldBack
from residue.output.sink import Queued
from residue.problems import ProblemError
from residue.processes import PLAYS_FRAMES, keep_time, new_threads_keep_time

if TYPE_CHECKING:
    from residue.output.portaudio import OutputStream

FADES_BEFORE_S = 0.05
"""If the sender stalls, the held block fades out so long before the buffer of the device is empty; of a small buffer, a
third before.
"""
_SMALL_S = 0.1
"""With a smaller buffer the threads of PortAudio must not wait either. With a large one they stay ordinary: after the
loss of a device they may loop without end.
"""
BEYOND_S = 0.5
"""A sound server keeps so much more than PortAudio says, with a reserve: PulseAudio keeps 0.1 s, as we measured."""
_PERIOD_S = 0.01
"""The period of a device that is asked what is left to play; else PortAudio takes a quarter of the buffer."""
_GOLDEN = 0.6180339887498949
"""Of its multiples, any few in a row lie evenly over a turn. Source: any textbook on sequences of low discrepancy."""
_ENDING_S = 1.5
"""A last fade that is not over so long after the buffer was empty hangs in PortAudio."""


def serve(
    connection: Connection, name: str, channels: int, rate_hz: float, buffer_s: float, *, timed: bool = False
) -> None:
    """Plays until the device is lost, or until the sender has ended and the sound has faded out."""

    def answer(one: Answer) -> None:
        with suppress(ConnectionError):  # the sender has ended
            connection.send_bytes(msgspec.json.encode(one))

    if timed:
        os.environ.setdefault("PA_ALSA_PERIODSIZE", str(round(rate_hz * _PERIOD_S)))
    try:
        from residue.output.portaudio import OutputStream
    except OSError as error:
        return answer(Lost(f"{error}: the Debian package libportaudio2 has it."))
    except Exception as error:  # noqa: BLE001 - of PortAudio's own class, which cannot be had then
        return answer(Lost(f"PortAudio does not start: {error}."))
    try:
        with new_threads_keep_time(PLAYS_FRAMES) if buffer_s < _SMALL_S else nullcontext():
            stream = OutputStream(name, channels, rate_hz, buffer_s)
        keep_time(PLAYS_FRAMES)
        answer(Opened(stream.latency_s))
        held_back = HeldBack(stream, channels, RETIMED_FRAMES if timed else 0)
        wait_s = stream.latency_s - min(FADES_BEFORE_S, stream.latency_s / 3.0)
        turn = 0.0
        while frames := _next(connection, wait_s, held_back.fade_out):
            late = held_back.play(frames)
            turn = (turn + _GOLDEN) % 1.0
            answer(Written(late, _queued(stream, held_back, turn * _PERIOD_S) if timed else None))
        held_back.fade_out()
        silent_frames = round(rate_hz * (stream.latency_s + BEYOND_S))
        stream.write(bytes(FRAME_BYTES * channels * silent_frames))  # until the fade is heard
    except ProblemError as error:
        answer(Wrong(error.findings))
    except OSError as error:
        answer(Lost(str(error)))


def _queued(stream: OutputStream, held_back: HeldBack, after_s: float) -> Queued:
    """The time comes last: whatever happens in between makes the queue look longer, and never shorter.

    after_s: another one each time, up to a period. A write ends at one place within a step of the device, which creeps
    on by a few millionths; from there alone it would be unknown for minutes where in a step the readings are.
    """
    time.sleep(after_s)
    asked_s = time.monotonic()
    queued_frames = stream.queued_frames() + held_back.frames
    return Queued(asked_s=asked_s, at_s=time.monotonic(), queued_frames=queued_frames)


def _next(connection: Connection, wait_s: float, stalls: Callable[[], None]) -> bytes | None:
    """The next message; None after the sender has ended. stalls: called if none comes for so long."""
    with suppress(EOFError, OSError):  # it may end within a message
        if not connection.poll(wait_s):
            stalls()
        return connection.recv_bytes()
    return None


def _end_after(descriptor: int, wait_s: float) -> None:
    """Ends this process so long after the sender of the frames, even while PortAudio hangs."""
    end = select.poll()
    end.register(descriptor, select.POLLRDHUP)
    end.poll()
    time.sleep(wait_s)
    os._exit(0)


def main() -> None:
    """Plays on one device until it is asked to end."""
    name, channels, rate_hz, buffer_s, timed = sys.argv[1:]
    for number in (signal.SIGTERM, signal.SIGABRT):  # systemd sends them to all of a unit; the sound fades out
        signal.signal(number, signal.SIG_IGN)
    connection = Connection(os.dup(sys.stdin.fileno()))
    ends = threading.Thread(target=_end_after, args=(connection.fileno(), float(buffer_s) + _ENDING_S), daemon=True)
    ends.start()
    serve(connection, name, int(channels), float(rate_hz), float(buffer_s), timed=timed == "1")


if __name__ == "__main__":
    main()
