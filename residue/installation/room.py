"""The room of an installation: room.toml, checked."""

from __future__ import annotations

from typing import Literal

import msgspec

from residue.control.keypad import Keypad
from residue.control.settings import ControlSettings
from residue.light.settings import LightSettings
from residue.loudness.caps.caps import PLACE, Cap, CapEntry, expand
from residue.loudness.outputs.measurement import MeasuredWith, margin_db
from residue.loudness.outputs.outputs import Output
from residue.notices.secret import credential_name
from residue.notices.settings import AnyNotice
from residue.output.in_step_settings import InStep
from residue.page.settings import PageSettings
from residue.proof.settings import Microphone
from residue.schedule.equipment import AnyEquipment
from residue.schedule.hours_folder import HoursFolder


class Room(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The technician's file: device, outputs with their calibration, caps, control surface, equipment."""

    place: str
    """The name of the room, for status and report."""
    device: str
    """The sound device by a part of its name that no other has, or "silent", or "file:NAME.wav"."""
    output: dict[str, Output]
    """The outputs of the piece, each with its channel, transducer and calibration."""
    cap: list[CapEntry]
    """The limits that always hold; at least one."""
    measurement: MeasuredWith | None = None
    """The meter that calibrated, and the margin by which caps in dB are kept lower."""
    levels_at_the_ear: Literal["calibrated", "unknown"] = "calibrated"
    """"unknown" says that no output is calibrated; caps are then in dBFS."""
    control: ControlSettings = ControlSettings()
    """Who may ask and command the house over the network, and where the feed goes."""
    keypad: Keypad | None = None
    """A keypad or a button by the room, for a hold without a terminal; there is none if the table is left out."""
    equipment: list[AnyEquipment] = []
    """Equipment that is switched on before the opening, in this order, and off after closing, in the opposite order."""
    hours_folder: HoursFolder | None = None
    """A folder within the curator's reach for hours.toml and hours.ics; those of the installation if left out."""
    page: PageSettings | None = None
    """A web page of the house for a phone; there is none if the table is left out."""
    in_step: InStep | None = None
    """Whether it plays one performance together with other rooms, by the clock; alone if the table is left out."""
    light: LightSettings | None = None
    """Lamps that follow the piece, by sACN (ANSI E1.31); there are none if the table is left out."""
    microphone: Microphone | None = None
    """A measuring microphone that proves every output before the opening; there is none if the table is left out."""
    notice: list[AnyNotice] = []
    """Who is told of faults, of recoveries, and once a day how the day was."""

    @property
    def margin_db(self) -> float:
        """By how much caps in dB at an ear are kept lower than they are written."""
        return margin_db(self.measurement, self.output.values())

    @property
    def felt_margin_db(self) -> float:
        """By how much caps on vibration are kept lower than they are written."""
        return 0.0 if self.measurement is None else self.measurement.felt_margin_db

    @property
    def caps(self) -> tuple[Cap, ...]:
        """The caps as they are kept."""
        return expand(self.cap, self.margin_db, self.felt_margin_db)

    def __post_init__(self) -> None:
        if not self.output:
            raise ValueError("The room has no output. Write a table such as [output.left].")
        if PLACE in self.output:
            raise ValueError(
                f'An output is called "{PLACE}": that is where all outputs come together. Choose another name.'
            )
        if not self.cap:
            raise ValueError('The room has no cap. Write a table [[cap]], such as rule = "who-2022".')
        names = [one.name for one in self.equipment]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f'Two pieces of equipment are called "{name}". Give each a name of its own.')
        notices = [one.name for one in self.notice]
        for name in notices:
            if notices.count(name) > 1:
                raise ValueError(f'Two notices are called "{name}". Give each a name of its own.')
        secrets = {path for one in self.notice for path in one.secret_files}
        if len(secrets) > len({credential_name(path) for path in secrets}):
            raise ValueError("Secrets of two notices stand in files of the same name. Give each its own name.")
        taken: dict[int, str] = {}
        for name, output in self.output.items():
            other = taken.setdefault(output.device_channel, name)
            if other != name:
                raise ValueError(
                    f"output.{other} and output.{name} both use device_channel = {output.device_channel}. "
                    "Give each its own."
                )
