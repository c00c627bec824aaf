"""The room of an installation: room.toml, checked."""

from __future__ import annotations

from typing import Literal

import msgspec

from residue.control.settings import ControlSettings
from residue.loudness.caps.caps import PLACE, CapEntry
from residue.loudness.outputs.outputs import Output
from residue.schedule.equipment import AnyEquipment


class Room(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """room.toml: device, outputs with their calibration, caps, control surface.

    device: "silent", "file:NAME.wav", or the stable name of a sound device.
    equipment: what is switched on before the opening, in this order, and off after closing.
    levels_at_the_ear: "unknown" states outright that no output is calibrated; caps then hold in dBFS.
    """

    place: str
    device: str
    output: dict[str, Output]
    cap: list[CapEntry]
    levels_at_the_ear: Literal["calibrated", "unknown"] = "calibrated"
    control: ControlSettings = ControlSettings()
    equipment: list[AnyEquipment] = []

    def __post_init__(self) -> None:
        if not self.output:
            raise ValueError("The room has no output. Write a table such as [output.left].")
        if PLACE in self.output:
            raise ValueError(f'An output is called "{PLACE}", which means where all come together. Name it otherwise.')
        if not self.cap:
            raise ValueError('The room has no cap. Write a table [[cap]], such as rule = "who-2022".')
        names = [one.name for one in self.equipment]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f'Two pieces of equipment are called "{name}". Give each a name of its own.')
        taken: dict[int, str] = {}
        for name, output in self.output.items():
            other = taken.setdefault(output.device_channel, name)
            if other != name:
                raise ValueError(
                    f"output.{other} and output.{name} both use device_channel = {output.device_channel}. "
                    "Give each its own."
                )
