"""The process that plays on a sound device.

PortAudio lists devices only when it is initialised, and hangs if a device or a sound server hangs. A process of its own
sees the present devices, and can be ended. Its arguments are the device's name, the channels, the rate in Hz, the
buffer in s, and 1 where every answer is to tell what is left to play, else 0. Its standard input is a connection to the
process that makes the frames (see device_answers.py).
"""

from __future__ import annotations

import os
import select
import signal
import sys
import threading
import time
from contextlib import suppress
from multiprocessing.connection import Connection
from typing import TYPE_CHECKING

import msgspec

from residue.output.device_answers import Answer, Lost, Opened, Written, Wrong
from residue.output.sink import Queued
from residue.problems import ProblemError
from residue.processes import PLAYS_FRAMES, keep_time

if TYPE_CHECKING:
    from residue.output.portaudio import OutputStream


def serve(connection: Connection, name: str, channels: int, rate_hz: float, buffer_s: float, *, timed: bool) -> None:
    """Plays until the device is lost or the sender has ended."""

    def answer(one: Answer) -> None:
        connection.send_bytes(msgspec.json.encode(one))

    try:
        from residue.output.portaudio import OutputStream
    except OSError as error:
        return answer(Lost(f"{error}: the Debian package libportaudio2 has it."))
    except Exception as error:  # noqa: BLE001 - of PortAudio's own class, which cannot be had then
        return answer(Lost(f"PortAudio does not start: {error}."))
    try:
        stream = OutputStream(name, channels, rate_hz, buffer_s)
        keep_time(PLAYS_FRAMES)
        answer(Opened(stream.latency_s))
        while frames := _next(connection):
            answer(Written(stream.write(frames), _reading(stream) if timed else None))
    except ProblemError as error:
        answer(Wrong(error.findings))
    except OSError as error:
        answer(Lost(str(error)))


def _reading(stream: OutputStream) -> Queued:
    """The time comes last: whatever happens in between makes the queue look longer, and never shorter."""
    queued_frames = stream.queued_frames()
    return Queued(time.monotonic(), queued_frames)


def _next(connection: Connection) -> bytes | None:
    """The next message; None after the sender has ended."""
    with suppress(EOFError, ConnectionError):
        return connection.recv_bytes()
    return None


def _end_with(descriptor: int) -> None:
    """Ends this process at once when the sender of the frames has ended, even while PortAudio hangs."""
    end = select.poll()
    end.register(descriptor, select.POLLRDHUP)
    end.poll()
    os._exit(0)


def main() -> None:
    """Plays on one device until it is asked to end."""
    name, channels, rate_hz, buffer_s, timed = sys.argv[1:]
    signal.signal(signal.SIGTERM, signal.SIG_IGN)  # for all of a unit; the sender fades out
    connection = Connection(os.dup(sys.stdin.fileno()))
    threading.Thread(target=_end_with, args=(connection.fileno(),), daemon=True).start()
    with suppress(ConnectionError):
        serve(connection, name, int(channels), float(rate_hz), float(buffer_s), timed=timed == "1")


if __name__ == "__main__":
    main()
