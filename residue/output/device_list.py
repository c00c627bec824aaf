"""The sound devices of this machine, for a technician who writes room.toml or sensors.toml."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from residue.problems import stopping


class SoundDevice(msgspec.Struct, frozen=True, kw_only=True):
    """One device.

    name: as room.toml and sensors.toml name it. plays_48_khz: whether all its outputs can play at 48 kHz.
    """

    name: str
    outputs: int
    inputs: int
    plays_48_khz: bool


def list_devices(rate_hz: float) -> Sequence[SoundDevice]:
    """All devices that PortAudio finds now. It plays nothing. Raises ProblemError without PortAudio."""
    try:
        import sounddevice
    except OSError as error:
        raise stopping("PortAudio", f"{error}.", "Install the Debian package libportaudio2.") from error
    try:
        found = sounddevice.query_devices()
    except sounddevice.PortAudioError as error:
        raise stopping("PortAudio", f"It lists no devices: {error}.", "Check that the sound server runs.") from error

    def plays(index: int, outputs: int) -> bool:
        try:
            sounddevice.check_output_settings(device=index, channels=outputs, dtype="float32", samplerate=rate_hz)
        except (sounddevice.PortAudioError, ValueError):
            return False
        return True

    return [
        SoundDevice(
            name=one["name"],
            outputs=one["max_output_channels"],
            inputs=one["max_input_channels"],
            plays_48_khz=one["max_output_channels"] > 0 and plays(one["index"], one["max_output_channels"]),
        )
        for one in found
    ]


def in_words(devices: Sequence[SoundDevice]) -> list[str]:
    """Lines for a person, with the text to copy into room.toml and sensors.toml."""
    to_play = [one for one in devices if one.plays_48_khz]
    to_record = [one for one in devices if one.inputs]
    lines: list[str] = []
    if to_play:
        lines += ["For room.toml:", *(_line(one, f"{one.outputs} outputs") for one in to_play), ""]
    if to_record:
        lines += [
            "For sensors.toml:",
            *(f'    device = "{one.name}"    # {one.inputs} inputs' for one in to_record),
            "",
        ]
    other = [one.name for one in devices if one.outputs and not one.plays_48_khz]
    if other:
        lines += [f"Not usable now, because they do not play 48 kHz or are busy: {', '.join(other)}."]
    return lines or ["This machine has no sound device. Plug it in, or play on `silent` or into `file:NAME.wav`."]


def _line(device: SoundDevice, channels: str) -> str:
    return f'    device = "{device.name}"    # {channels}'
