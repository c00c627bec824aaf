"""The table [microphone] of room.toml: the measuring microphone that hears whether every output sounds."""

from __future__ import annotations

from datetime import date
from typing import Annotated

import msgspec
from msgspec import Meta


class MicrophoneCalibration(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What the microphone gave for the tone of a sound calibrator (IEC 60942)."""

    on: date
    """The day of the measurement."""
    read_dbfs: Annotated[float, Meta(ge=-120.0, le=0.0)]
    """Mean-square level of the input while the calibrator sounded, where a full-scale sine reads -3.01."""
    level_db: Annotated[float, Meta(ge=60.0, le=130.0)] = 94.0
    """The level of the calibrator at 1 kHz, dB re 20 uPa."""

    @property
    def offset_db(self) -> float:
        """From a level in dBFS to dB re 20 uPa."""
        return self.level_db - self.read_dbfs


class Microphone(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A measuring microphone in the room, and when it is to prove every output."""

    device: str
    """The sound device of the microphone, by a part of its name that no other has."""
    before_opening_min: Annotated[float, Meta(ge=1.0, le=120.0)]
    """So long before the first opening of a day a quiet sweep goes through each output, one after the other."""
    input: Annotated[int, Meta(ge=1, le=64)] = 1
    """The input of the device, counted from 1."""
    while_open: bool = False
    """Whether it listens while the house is open as well, and lowers the house where the room becomes louder."""
    calibration: MicrophoneCalibration | None = None
    """What it gave for a sound calibrator; without it the levels of the background are in dBFS."""
