"""The outputs of room.toml: wiring, calibration, and the limits of the transducer."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from residue.loudness.outputs.calibration import AnyCalibration, Calibration, LowBandCalibration, VibrationCalibration

SUBSONIC_HZ = {"speaker": 20.0, "shaker": 5.0}
"""The protecting high-pass of a transducer if room.toml states none: common practice, no source."""


class Output(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One output of the piece: its channel of the device, and the transducer on it."""

    device_channel: Annotated[int, Meta(ge=1, le=256)]
    """Channel of the sound device, counted from 1."""
    calibration: Calibration | None = None
    """The reading of the sound level meter; without it levels at the ear are unknown."""
    low_band: LowBandCalibration | None = None
    """The reading below 40 Hz; if it is higher than by `calibration`, it counts for Z and G, and for caps on C."""
    vibration: VibrationCalibration | None = None
    """The reading of the vibration meter; caps on vibration need it."""
    trim_db: Annotated[float, Meta(ge=-60.0, le=0.0)] = 0.0
    """Lowers this output relative to the others."""
    delay_ms: Annotated[float, Meta(ge=0.0, le=500.0)] = 0.0
    """Delays this output, so that it arrives together with one that is further away."""
    transducer: Literal["speaker", "shaker"] = "speaker"
    """The transducer on the amplifier: a speaker is heard, a shaker is felt."""
    subsonic_hz: Annotated[float, Meta(ge=1.0, le=120.0)] | None = None
    """Protecting high-pass, fourth order; 20 for a speaker and 5 for a shaker if not given."""
    ceiling_dbtp: Annotated[float, Meta(ge=-40.0, le=0.0)] = -1.0
    """The true peak that is never exceeded."""
    long_term_dbfs: Annotated[float, Meta(ge=-80.0, le=0.0)] | None = None
    """The mean-square level over long_term_s that is never exceeded: the limit of a coil."""
    long_term_s: Annotated[float, Meta(ge=1.0, le=3600.0)] = 60.0
    """The window of long_term_dbfs."""
    rise_db_per_s: Annotated[float, Meta(ge=3.0, le=300.0)] = 60.0
    """The first sound after a silence grows no faster than this, so that nobody is startled."""

    @property
    def calibrations(self) -> Mapping[str, AnyCalibration]:
        """All readings of it, by the key in room.toml."""
        held = {"calibration": self.calibration, "low_band": self.low_band, "vibration": self.vibration}
        return {key: one for key, one in held.items() if one is not None}

    @property
    def protection_hz(self) -> float:
        """The frequency of the protecting high-pass."""
        return SUBSONIC_HZ[self.transducer] if self.subsonic_hz is None else self.subsonic_hz
