"""A sound device as an input, through PortAudio."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import Any

import sounddevice

from residue.live.sound_input import LATENCY_S, MOST_WAITING_S, DeviceInput
from residue.mapping.signals import AUDIO_RATE_HZ
from residue.output.devices import find
from residue.problems import stopping
from residue.processes import PLAYS_FRAMES, new_threads_keep_time


class _Stream:
    """A blocking stream, with its errors turned into those of the operating system."""

    def __init__(self, name: str, channels: int, where: str, latency_s: float) -> None:
        devices = [device for device in sounddevice.query_devices() if device["max_input_channels"] > 0]
        found = find(name, devices, where)
        if found["max_input_channels"] < channels:
            what = (
                f'The sound device "{name}" has {found["max_input_channels"]} inputs, and channel {channels} is named.'
            )
            mend = f"Write an input from 1 to {found['max_input_channels']}, or name another device."
            raise stopping(where, what, mend)
        try:
            with new_threads_keep_time(PLAYS_FRAMES):
                self._stream = sounddevice.InputStream(
                    samplerate=AUDIO_RATE_HZ,
                    device=found["index"],
                    channels=channels,
                    dtype="float32",
                    latency=latency_s,
                )
                self._stream.start()
        except (sounddevice.PortAudioError, ValueError) as error:
            raise OSError(f'The sound input "{name}" cannot be opened: {error}') from error

    @property
    def available(self) -> int:
        try:
            return int(self._stream.read_available)
        except sounddevice.PortAudioError as error:
            raise OSError(str(error)) from error

    def read(self, frames: int) -> tuple[Any, bool]:
        try:
            samples, lost = self._stream.read(frames)
        except sounddevice.PortAudioError as error:
            raise OSError(str(error)) from error
        return samples, bool(lost)

    def close(self) -> None:
        for let_go in (self._stream.abort, self._stream.close):
            with suppress(sounddevice.PortAudioError):  # it is closed already, which is fine
                let_go()


def open_input(
    name: str,
    channels: int,
    where: str = "sensors.toml: device",
    *,
    latency_s: float = LATENCY_S,
    most_waiting_s: float = MOST_WAITING_S,
) -> DeviceInput:
    """The first `channels` channels of the device of this name. where: the file and key with the name, for a person.

    latency_s: what the device is asked for. most_waiting_s: as DeviceInput has it. Raises ProblemError where it is
    missing now.
    """
    opens: Callable[[], _Stream] = lambda: _Stream(name, channels, where, latency_s)  # noqa: E731 (a name for its type)
    try:
        return DeviceInput(opens, channels, most_waiting_s=most_waiting_s)
    except OSError as error:
        raise stopping(where, str(error), "Plug it in and switch it on, or name another.") from error
