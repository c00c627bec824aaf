"""Calibration of an output: from levels in dBFS to levels at the visitor's place."""

from __future__ import annotations

from datetime import date
from functools import lru_cache
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from residue.dsp import exact
from residue.loudness.meters.weightings import Weighting, power_gain, sections

PINK_BAND_HZ = {"speaker": (40.0, 10_000.0), "shaker": (12.5, 160.0)}
"""The band of the pink noise that calibrates each kind of transducer: the frequencies that it can reproduce
reliably.
"""

LOW_BAND_HZ = (10.0, 40.0)
"""The lowest band of a loudspeaker, which its calibration noise leaves out."""

LOWEST_DB, HIGHEST_DB = 20.0, 140.0
"""The range that a sound level meter can read in a room."""
LEAST_M_PER_S2, MOST_M_PER_S2 = 0.001, 50.0
"""From an acceleration that nobody feels to five times that of a fall."""
ReadLevel = Annotated[float, Meta(ge=LOWEST_DB, le=HIGHEST_DB)]
Dose = Annotated[float, Meta(ge=0.1, le=100.0)]
Acceleration = Annotated[float, Meta(ge=LEAST_M_PER_S2, le=MOST_M_PER_S2)]

_STEPS_PER_OCTAVE = 24
_RATE_HZ = 48_000.0


class Origin(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The origin of a reading."""

    on: date
    """The day of the measurement."""
    device: str | None = None
    """The sound device that played, by its name in room.toml; `residue calibrate` writes it."""
    machine: str | None = None
    """The machine that played, twelve hexadecimal digits; `residue calibrate` writes it."""
    invented: bool = False
    """Nobody measured it, so no real device may use it."""


class Calibration(Origin, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The reading of a sound level meter at the visitor's place while one output played band-limited pink noise."""

    played_dbfs: Annotated[float, Meta(ge=-90.0, le=-3.0)]
    """Mean-square level of the noise as it was sent to the device."""
    read_dba: ReadLevel
    """Equivalent level read with A weighting, dB re 20 uPa."""
    read_dbc: ReadLevel
    """Equivalent level read with C weighting, dB re 20 uPa."""
    readings: Annotated[int, Meta(ge=1, le=100)] | None = None
    """The number of readings; the two levels are their energy mean."""
    spread_db: Annotated[float, Meta(ge=0.0, le=30.0)] | None = None
    """Standard deviation of the readings, A or C, whichever is larger; for a shaker C. It enters the margin."""
    background_dba: ReadLevel | None = None
    """Read with A weighting while nothing played."""
    background_dbc: ReadLevel | None = None
    """Read with C weighting while nothing played."""
    loudest_dba: ReadLevel | None = None
    """Read with A weighting at the loudest place that visitors can reach; it counts where it is higher."""
    loudest_dbc: ReadLevel | None = None
    """Read with C weighting at that place."""

    def __post_init__(self) -> None:
        if (self.loudest_dba is None) != (self.loudest_dbc is None):
            raise ValueError("Of the loudest place there is one reading only. Write loudest_dba and loudest_dbc.")

    @property
    def counts_dba(self) -> float:
        """The A reading that counts for the caps: the higher of the two places."""
        return self.read_dba if self.loudest_dba is None else max(self.read_dba, self.loudest_dba)

    @property
    def counts_dbc(self) -> float:
        """The C reading that counts for the caps: the higher of the two places."""
        return self.read_dbc if self.loudest_dbc is None else max(self.read_dbc, self.loudest_dbc)


class VibrationCalibration(Origin, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The reading of a vibration meter where a visitor sits while one output played band-limited pink noise."""

    played_dbfs: Annotated[float, Meta(ge=-90.0, le=-3.0)]
    """Mean-square level of the noise as it was sent to the device."""
    read_aw_m_per_s2: Acceleration
    """Wk-weighted r.m.s. acceleration up and down (ISO 2631-1)."""
    read_horizontal_m_per_s2: Acceleration | None = None
    """Wd-weighted r.m.s. acceleration, front to back or side to side, whichever is larger; a cap on it needs it."""

    def read_m_per_s2(self, weighting: Weighting) -> float | None:
        """The reading under Wk or Wd; None where there was none."""
        return self.read_aw_m_per_s2 if weighting is Weighting.WK else self.read_horizontal_m_per_s2


class LowBandCalibration(Origin, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The reading of a sound level meter while one loudspeaker played pink noise from low_hz to 40 Hz."""

    played_dbfs: Annotated[float, Meta(ge=-90.0, le=-3.0)]
    """Mean-square level of the noise as it was sent to the device."""
    read_db: ReadLevel
    """Equivalent level read, dB re 20 uPa."""
    weighting: Literal["Z", "C", "G"]
    """The weighting of the meter: Z, C (IEC 61672-1) or G (ISO 7196)."""
    low_hz: Annotated[float, Meta(ge=10.0, le=30.0)]
    """The lowest frequency of the noise: well above the protecting high-pass of the output."""


AnyCalibration = Calibration | VibrationCalibration | LowBandCalibration
"""The calibrations that `residue calibrate` writes for one output."""


def pink_level_db(weighting: Weighting, transducer: str) -> float:
    """Level of the calibration noise under a weighting, relative to its own unweighted level, in dB."""
    return band_level_db(weighting, PINK_BAND_HZ[transducer])


@lru_cache
def band_level_db(weighting: Weighting, band_hz: tuple[float, float]) -> float:
    """Level of pink noise in a band under a weighting, relative to its own unweighted level, in dB.

    Pink noise has the same power in every octave, so it is the mean of the weighting over equal steps of pitch.
    """
    low_hz, high_hz = band_hz
    step = exact.power(2.0, 1.0 / _STEPS_PER_OCTAVE)
    frequency_hz, total, count = low_hz * step**0.5, 0.0, 0
    while frequency_hz < high_hz:
        total += power_gain(sections(weighting, _RATE_HZ), frequency_hz, _RATE_HZ)
        frequency_hz *= step
        count += 1
    return 10.0 * exact.log10(total / count)


def felt_offset_db(calibration: VibrationCalibration, transducer: str, weighting: Weighting = Weighting.WK) -> float:
    """The offset from a Wk- or Wd-weighted level in dBFS to dB re 1 m/s² where a visitor sits or stands.

    Raises ValueError where nothing was read under this weighting.
    """
    read = calibration.read_m_per_s2(weighting)
    if read is None:
        raise ValueError("Horizontal vibration was not measured.")
    return 20.0 * exact.log10(read) - calibration.played_dbfs - pink_level_db(weighting, transducer)


def offset_db(calibration: Calibration, weighting: Weighting, transducer: str) -> float:
    """The offset from a weighted level in dBFS to dB re 20 uPa at the visitor's place, or at the loudest one.

    A comes from the A reading; C, Z, G and K from the C reading, which measures nearly all of the band.
    """
    if weighting is Weighting.A:
        return calibration.counts_dba - calibration.played_dbfs - pink_level_db(Weighting.A, transducer)
    return calibration.counts_dbc - calibration.played_dbfs - pink_level_db(Weighting.C, transducer)


def low_offset_db(calibration: LowBandCalibration) -> float:
    """The offset from an unweighted level in dBFS below 40 Hz to dB re 20 uPa at the visitor's place."""
    band_hz = (calibration.low_hz, LOW_BAND_HZ[1])
    weighs_db = band_level_db(Weighting(calibration.weighting), band_hz)
    return calibration.read_db - calibration.played_dbfs - weighs_db
