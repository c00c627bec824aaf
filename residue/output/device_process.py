"""The process that plays on a sound device, through PortAudio.

PortAudio lists devices only when it is initialised, and hangs with a device or a sound server that does. A process of
its own sees what is plugged in now, and can be ended. Its arguments are the device's name, the channels, the rate in Hz
and the buffer in s; its standard input is a connection to who makes the frames (see device_answers.py).
"""

from __future__ import annotations

import os
import select
import signal
import sys
import threading
from contextlib import suppress
from multiprocessing.connection import Connection

import msgspec
import sounddevice

from residue.output.device_answers import Answer, Lost, Opened, Written, Wrong
from residue.output.devices import NoDeviceError, check_width, find
from residue.problems import ProblemError
from residue.processes import keep_time


def opened(name: str, channels: int, rate_hz: float, buffer_s: float) -> sounddevice.RawOutputStream:
    """A running stream with a large buffer; no Python ever runs in an audio callback.

    Raises NoDeviceError, PortAudioError and ValueError while it cannot be had, ProblemError where it is not what the
    room needs.
    """
    devices = [device for device in sounddevice.query_devices() if device["max_output_channels"] > 0]
    found = find(name, devices)
    check_width(name, found["max_output_channels"], channels)
    stream = sounddevice.RawOutputStream(
        samplerate=rate_hz, device=found["index"], channels=channels, dtype="float32", latency=buffer_s
    )
    stream.start()
    return stream


def serve(connection: Connection, name: str, channels: int, rate_hz: float, buffer_s: float) -> None:
    """Until the device is lost, or nobody sends any more."""

    def answer(one: Answer) -> None:
        connection.send_bytes(msgspec.json.encode(one))

    try:
        stream = opened(name, channels, rate_hz, buffer_s)
    except ProblemError as error:
        return answer(Wrong(error.findings))
    except NoDeviceError as error:
        return answer(Lost(str(error)))
    except (sounddevice.PortAudioError, ValueError) as error:
        return answer(Lost(f'The sound device "{name}" cannot be opened: {_reason(error)}.'))
    keep_time()
    answer(Opened(float(stream.latency)))
    while True:
        frames = connection.recv_bytes()
        try:
            answer(Written(bool(stream.write(frames))))
        except sounddevice.PortAudioError as error:
            return answer(Lost(f"The sound device is gone: {_reason(error)}."))


def _reason(error: Exception) -> str:
    return str(error).split(" [PaErrorCode", maxsplit=1)[0].removeprefix("Error opening RawOutputStream: ")


def _end_with(descriptor: int) -> None:
    """End at once when who makes the frames has ended, even while PortAudio hangs."""
    end = select.poll()
    end.register(descriptor, select.POLLRDHUP)
    end.poll()
    os._exit(0)


def main() -> None:
    """One device, once."""
    name, channels, rate_hz, buffer_s = sys.argv[1:]
    for asked_to_end in (signal.SIGINT, signal.SIGTERM):
        signal.signal(asked_to_end, signal.SIG_IGN)  # who makes the frames is asked too, and fades out first
    connection = Connection(os.dup(sys.stdin.fileno()))
    threading.Thread(target=_end_with, args=(connection.fileno(),), daemon=True).start()
    with suppress(EOFError, ConnectionError):
        serve(connection, name, int(channels), float(rate_hz), float(buffer_s))


if __name__ == "__main__":
    main()
