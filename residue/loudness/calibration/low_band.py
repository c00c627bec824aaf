"""Measures the lowest band of a loudspeaker, which its noise of 40 Hz to 10 kHz does not contain.

A room and a loudspeaker may be far louder at 25 Hz than above 40 Hz, and a C reading of the wide noise does not show
it. Pure, and under the same rules as the wide noise (calibration_procedure): every step is a value that a cap stage
plays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import msgspec

from residue.loudness.calibration.calibration_procedure import (
    LEAST_READINGS,
    CalibrationStep,
    MeterReading,
    begin_as_calibrated,
    mean_of,
)
from residue.loudness.calibration.calibration_signals import low_noise
from residue.loudness.caps.caps import Cap
from residue.loudness.meters.weightings import Weighting
from residue.loudness.outputs.calibration import LOW_BAND_HZ, LowBandCalibration, Origin
from residue.loudness.outputs.measurement import ABOVE_BACKGROUND_DB
from residue.loudness.outputs.outputs import Output

_CLEAR_OF_HIGH_PASS = 1.2
"""The band begins at so many times the frequency of the protecting high-pass, which takes less than 1 dB there."""
_LEAST_BAND = 2.0**0.5
"""Half an octave: a narrower band cannot be measured."""


def lowest_hz(output: Output) -> float | None:
    """The lowest frequency of the low band of an output; None for a shaker, and if its high-pass removes it."""
    low_hz, high_hz = LOW_BAND_HZ
    begins_hz = round(max(low_hz, _CLEAR_OF_HIGH_PASS * output.protection_hz), 1)
    return None if output.transducer == "shaker" or begins_hz * _LEAST_BAND > high_hz else begins_hz


def begin_low_band(measured: CalibrationStep, caps: Sequence[Cap], low_hz: float) -> CalibrationStep:
    """The first step of the low band of an output that was just measured.

    Raises ProblemError where the caps do not allow it.
    """
    return begin_as_calibrated(measured.name, measured.room, caps, low_noise(low_hz))


def with_low_reading(step: CalibrationStep, held: LowBandCalibration) -> CalibrationStep:
    """The same level, with the reading of the band from now on."""
    return replace(step, room={**step.room, step.name: msgspec.structs.replace(step.output, low_band=held)})


def low_band_of(
    step: CalibrationStep, readings_db: Sequence[float], weighting: str, low_hz: float, origin: Origin
) -> LowBandCalibration:
    """The calibration from readings at one level, at least one."""
    mean = mean_of([MeterReading(reading_db, reading_db) for reading_db in readings_db])
    return LowBandCalibration(
        played_dbfs=step.played_dbfs,
        read_db=mean.dba,
        weighting=Weighting(weighting).value,  # type: ignore[arg-type]
        low_hz=low_hz,
        **msgspec.structs.asdict(origin),
    )


def low_enough_read(readings_db: Sequence[float], background_db: float) -> bool:
    """Whether the readings are enough, and stand well above the background."""
    return len(readings_db) >= LEAST_READINGS and min(readings_db) >= background_db + ABOVE_BACKGROUND_DB
