"""The sound devices of this machine, by their names."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from residue.problems import nearest, stopping


class NoDeviceError(OSError):
    """No device has this name."""


def find(name: str, devices: Sequence[Mapping[str, Any]], where: str = "room.toml: device") -> Mapping[str, Any]:
    """The device of this name, or the only one with this part in its name.

    where: the file and key with the name, for a person.

    Raises NoDeviceError where there is none, ProblemError where there are several.
    """
    exact = [device for device in devices if device["name"] == name]
    matches = exact or [device for device in devices if name in device["name"]]
    if not matches:
        names = [device["name"] for device in devices]
        there = f" {nearest(name, names)}" if names else " This machine has no sound device at all."
        raise NoDeviceError(f'There is no sound device "{name}".{there}')
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
