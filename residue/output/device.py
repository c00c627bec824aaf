"""A sound device, through PortAudio."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import sounddevice

from residue.loudness.capped import Capped
from residue.mapping.signals import AUDIO_RATE_HZ
from residue.output.routing import Routing
from residue.output.silent import BUFFER_S
from residue.output.sink import SinkLostError
from residue.problems import nearest, stopping

_CARDS = Path("/dev/snd")
LOOK_AFRESH_S = 10.0
"""Between two fresh lists of devices while nothing was plugged in: a sound server may have come up."""


class DeviceSink:
    """Writes to a stream with a large buffer, blocking; no Python ever runs in an audio callback.

    name: of the device, or a part of its name that no other has; never its number, which changes between starts.
    Raises SinkLostError while the device is not there, ProblemError where it is not what the room needs.
    """

    def __init__(self, name: str, routing: Routing) -> None:
        self._routing = routing
        self.late_blocks = 0
        found = _afresh.find(name)
        check_width(name, found["max_output_channels"], routing.width)
        try:
            self._stream = sounddevice.OutputStream(
                samplerate=AUDIO_RATE_HZ,
                device=found["index"],
                channels=routing.width,
                dtype="float32",
                latency=BUFFER_S,
            )
            self._stream.start()
        except (sounddevice.PortAudioError, ValueError) as error:
            raise SinkLostError(f'The sound device "{name}" cannot be opened: {_reason(error)}.') from error
        self.latency_s = float(self._stream.latency)

    def write(self, capped: Capped) -> None:
        """Play; a stream that ran empty before is counted."""
        try:
            self.late_blocks += bool(self._stream.write(self._routing.interleaved(capped)))
        except sounddevice.PortAudioError as error:
            raise SinkLostError(f"The sound device is gone: {_reason(error)}.") from error

    def close(self) -> None:
        """Let go of the device, there or not."""
        for let_go in (self._stream.abort, self._stream.close):
            try:
                let_go()
            except sounddevice.PortAudioError:  # it is gone already, which is as good
                continue


def outputs() -> Sequence[Mapping[str, Any]]:
    """What PortAudio tells of each device that can play."""
    return [device for device in sounddevice.query_devices() if device["max_output_channels"] > 0]


class _Afresh:
    """Lets PortAudio look for devices again, when there is reason to, or when it has not done so for a while.

    It looks only when it is initialised, which needs all streams closed and loses some kilobytes each time.
    """

    def __init__(self) -> None:
        self._cards: Sequence[str] = ()
        self._looked_s = -LOOK_AFRESH_S

    def find(self, name: str) -> Mapping[str, Any]:
        """Raises as `find` does."""
        try:
            return find(name, outputs())
        except SinkLostError:
            cards, now_s = _cards(), time.monotonic()
            if cards == self._cards and now_s - self._looked_s < LOOK_AFRESH_S:
                raise
            self._cards, self._looked_s = cards, now_s
        sounddevice._terminate()
        sounddevice._initialize()
        return find(name, outputs())


_afresh = _Afresh()


def _cards() -> Sequence[str]:
    """What the kernel has of sound cards at present."""
    try:
        return sorted(node.name for node in _CARDS.iterdir())
    except OSError:
        return ()


def find(name: str, devices: Sequence[Mapping[str, Any]], where: str = "room.toml: device") -> Mapping[str, Any]:
    """The device of this name, or the only one whose name has it as a part.

    where: the file and key that names it, for a person.

    Raises SinkLostError where there is none, ProblemError where there are several.
    """
    exact = [device for device in devices if device["name"] == name]
    matches = exact or [device for device in devices if name in device["name"]]
    if not matches:
        names = [device["name"] for device in devices]
        there = f" {nearest(name, names)}" if names else " This machine has no sound device at all."
        raise SinkLostError(f'There is no sound device "{name}".{there}')
    if len(matches) > 1 and not exact:
        several = ", ".join(f'"{device["name"]}"' for device in matches)
        raise stopping(where, f'"{name}" may mean {several}.', "Write more of the name.")
    return matches[0]


def check_width(name: str, channels: int, wanted: int) -> None:
    """Raises ProblemError where the device has too few channels."""
    if channels < wanted:
        raise stopping(
            "room.toml: output",
            f'The sound device "{name}" has {channels} channels, and an output is wired to channel {wanted}.',
            f"Write device_channel = 1 to {channels} for each output, or name a device with more channels.",
        )


def _reason(error: Exception) -> str:
    return str(error).split(" [PaErrorCode", maxsplit=1)[0].removeprefix("Error opening OutputStream: ")
