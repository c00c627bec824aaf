"""A blocking stream of PortAudio, with its errors turned into those of the operating system."""

from __future__ import annotations

import sounddevice

from residue.output.devices import check_width, find


class OutputStream:
    """Runs as soon as it is made, with a large buffer; no Python ever runs in an audio callback.

    Raises OSError while the device is not available, ProblemError where it is unsuitable for the room.
    """

    def __init__(self, name: str, channels: int, rate_hz: float, buffer_s: float) -> None:
        try:
            devices = [device for device in sounddevice.query_devices() if device["max_output_channels"] > 0]
        except sounddevice.PortAudioError as error:
            raise OSError(f"PortAudio lists no devices: {_reason(error)}.") from error
        found = find(name, devices)
        check_width(name, found["max_output_channels"], channels)
        try:
            self._stream = sounddevice.RawOutputStream(
                samplerate=rate_hz, device=found["index"], channels=channels, dtype="float32", latency=buffer_s
            )
            self._stream.start()
            self.latency_s = float(self._stream.latency)
            # PortAudio's latency leaves out a period of the buffer, which may be another in another room
            self._buffer_frames = max(self.latency_s * rate_hz, float(self._stream.write_available))
        except (sounddevice.PortAudioError, ValueError) as error:
            raise OSError(f'The sound device "{name}" cannot be opened: {_reason(error)}.') from error

    def write(self, frames: bytes) -> bool:
        """Writes interleaved float32 frames as soon as there is room; gives whether the stream was empty before."""
        try:
            return bool(self._stream.write(frames))
        except sounddevice.PortAudioError as error:
            raise OSError(f"The sound device is gone: {_reason(error)}.") from error

    def queued_frames(self) -> float:
        """The frames that wait to be heard. Devices tell it in steps of a period, most exactly after a write."""
        try:
            return self._buffer_frames - float(self._stream.write_available)
        except sounddevice.PortAudioError as error:
            raise OSError(f"The sound device is gone: {_reason(error)}.") from error


def _reason(error: Exception) -> str:
    return str(error).split(" [PaErrorCode", maxsplit=1)[0].removeprefix("Error opening RawOutputStream: ")
