"""How an output is calibrated, step by step, without anything ever being louder than the room's lowest cap.

Pure: a step is a value, and every answer of the technician makes the next. Whoever asks the questions plays
pink_noise_loop at `played_dbfs` on the one output, after the cap like everything else, and silence on the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from math import inf

from residue.loudness.calibration import Calibration, pink_level_db
from residue.loudness.caps import Cap
from residue.loudness.odd_readings import odd_readings
from residue.loudness.outputs import Output
from residue.loudness.weightings import Weighting
from residue.problems import ProblemError, stopping

START_DBFS = -60.0
STEP_DB = 3.0
LOUDEST_DBFS = -18.0
"""Noise has peaks 12 dB above its mean square and more: the limiter must not touch it."""
QUIETEST_READING_DBA = 40.0
"""What a meter that shows nothing above the background is taken to show, at most: a quiet room at night."""
ENOUGH_DBA = 65.0
"""Above the background of a gallery by so much that it does not falsify the reading: common practice, no source."""
CLEARANCE_DB = 6.0
"""By how much a louder step must stay below the lowest cap by what the meter read before."""


@dataclass(frozen=True, slots=True)
class CalibrationStep:
    """One output, and the noise that plays on it now."""

    name: str
    transducer: str
    lowest_dba: float
    """The lowest cap of the room for this noise, as an A-weighted reading; inf if no cap is in physical units."""
    loudest_dbfs: float
    """The lowest cap of the room for this noise in dBFS."""
    played_dbfs: float = START_DBFS
    read_dba: float | None = None
    """What the meter read at this level, if it has been asked."""


def begin(name: str, output: Output, caps: Sequence[Cap]) -> CalibrationStep:
    """The first step of an output, at a level that no amplifier makes loud."""
    a_db = pink_level_db(Weighting.A, output.transducer)
    lowest_dba, loudest_dbfs = inf, LOUDEST_DBFS
    for cap in caps:
        level_db = pink_level_db(cap.quantity.weighting, output.transducer)
        if cap.physical:
            lowest_dba = min(lowest_dba, cap.limit + a_db - level_db)
        elif cap.at in ("place", name):
            loudest_dbfs = min(loudest_dbfs, cap.limit - level_db - CLEARANCE_DB)
    return CalibrationStep(name, output.transducer, lowest_dba, loudest_dbfs, min(START_DBFS, loudest_dbfs))


def heard(step: CalibrationStep, read_dba: float | None) -> CalibrationStep:
    """The same level, with what the meter reads; None where it shows nothing above the background."""
    return replace(step, read_dba=QUIETEST_READING_DBA if read_dba is None else read_dba)


def louder(step: CalibrationStep) -> CalibrationStep:
    """The next level. Raises ProblemError where it might be too loud, or the meter has not been asked."""
    where = f"calibration of {step.name}"
    if step.read_dba is None:
        raise stopping(where, "The meter has not been read at this level.", "Say what it reads first.")
    if step.played_dbfs + STEP_DB > step.loudest_dbfs:
        raise stopping(where, f"{step.played_dbfs:g} dBFS is as loud as it may be.", "Turn the amplifier up a little.")
    if step.read_dba + STEP_DB > step.lowest_dba - CLEARANCE_DB:
        raise stopping(
            where,
            f"The next level might pass the lowest cap of the room ({step.lowest_dba:.0f} dB(A) for this noise).",
            "Calibrate at this level.",
        )
    return replace(step, played_dbfs=step.played_dbfs + STEP_DB, read_dba=None)


def quieter(step: CalibrationStep) -> CalibrationStep:
    """The level before, whatever the meter read."""
    return replace(step, played_dbfs=max(START_DBFS, step.played_dbfs - STEP_DB), read_dba=None)


def loud_enough(step: CalibrationStep) -> bool:
    """Whether the reading at this level can be relied on."""
    return step.read_dba is not None and step.read_dba >= ENOUGH_DBA


def answered(step: CalibrationStep, read_dba: float, read_dbc: float, on: date) -> Calibration:
    """The calibration that two readings at this level make. Raises ProblemError if they make no sense."""
    calibration = Calibration(played_dbfs=step.played_dbfs, read_dba=read_dba, read_dbc=read_dbc, on=on)
    findings = odd_readings(f"calibration of {step.name}", calibration, step.transducer)
    if findings:
        raise ProblemError(findings)
    return calibration
