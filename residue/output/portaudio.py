"""A stream of PortAudio's that blocks, with its errors as the operating system would tell them."""

from __future__ import annotations

import sounddevice

from residue.output.devices import check_width, find


class OutputStream:
    """Runs as soon as it is made, with a large buffer; no Python ever runs in an audio callback.

    Raises OSError while the device cannot be had, ProblemError where it is not what the room needs.
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
        except (sounddevice.PortAudioError, ValueError) as error:
            raise OSError(f'The sound device "{name}" cannot be opened: {_reason(error)}.') from error
        self.latency_s = float(self._stream.latency)

    def write(self, frames: bytes) -> bool:
        """Interleaved float32 frames, as soon as there is room; whether the stream had run empty before."""
        try:
            return bool(self._stream.write(frames))
        except sounddevice.PortAudioError as error:
            raise OSError(f"The sound device is gone: {_reason(error)}.") from error


def _reason(error: Exception) -> str:
    return str(error).split(" [PaErrorCode", maxsplit=1)[0].removeprefix("Error opening RawOutputStream: ")
