"""The meter that calibrated a room, and the margin for its error, by which caps at an ear are lower."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from math import ceil, inf, sqrt
from typing import Annotated, Literal

import msgspec
from msgspec import Meta
from msgspec.structs import replace

from residue.dsp import exact
from residue.loudness.outputs.calibration import Calibration
from residue.loudness.outputs.outputs import Output
from residue.problems import Finding, Severity

COVERAGE = 1.65
"""The factor from a standard uncertainty to the error that 95 % of measurements do not exceed: ISO 9612:2009, Annex C,
one-sided.
"""
_METER_DB: Mapping[int, float] = {1: 0.7, 2: 1.5}
"""Standard uncertainty of a meter of class 1 and 2 of IEC 61672-1: ISO 9612:2009, Table C.5, from memory. With that of
class 2 the worked example of its Annex D gives the printed result.
"""
_POSITION_DB = 1.0
"""Standard uncertainty of the place of the microphone: ISO 9612:2009, Annex C, from memory."""
_VIBRATION_METER_DB = 1.0 / sqrt(3.0)
"""Standard uncertainty of a vibration meter: it may be 1 dB off between 6.3 and 80 Hz (ISO 8041-1:2017, from memory),
anywhere in between with equal chance.
"""
_POSTURE_DB = 1.0
"""Standard uncertainty of the place on the floor or seat, and of how a body rests there: our own judgement."""
MOST_DRIFT_DB = 0.5
"""The checks before and after may differ by this, otherwise all is discarded: ISO 9612:2009, 12.2, from memory."""
MOST_SPREAD_DB = 0.5
"""The largest spread of readings of steady noise, each over 15 s: our own judgement. From its bandwidth 0.2 dB are
expected.
"""
ABOVE_BACKGROUND_DB = 10.0
"""Above this level over the background, the background adds less than half a dB to a reading: ISO 1996-2:2017, formula
16, by which a reading of 60 dB with a background of 50 is corrected to 59.5 dB.
"""

CalibratorLevel = Annotated[float, Meta(ge=80.0, le=130.0)]


class MeasuredWith(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The sound level meter of the calibration, its checks, and the margin for its error."""

    meter_class: Literal[1, 2]
    """Class of the meter, IEC 61672-1, from its data sheet."""
    serial: str = ""
    """Make and serial number of the meter, for the report."""
    by: str = ""
    """The person who measured, for the report."""
    calibrator_before_db: CalibratorLevel | None = None
    """The reading of the field calibrator (IEC 60942) before the first output."""
    calibrator_after_db: CalibratorLevel | None = None
    """The reading of the same calibrator after the last output."""
    margin_db: Annotated[float, Meta(ge=0.0, le=12.0)] | None = None
    """Caps in dB are lower by this, for meter and place; if not given, 2.1 for class 1 and 3 for class 2."""

    vibration_margin_db: Annotated[float, Meta(ge=0.0, le=12.0)] | None = None
    """Caps on vibration are lower by this, for meter and place; if not given, 2."""

    @property
    def drift_db(self) -> float | None:
        """The change of the meter between the two checks; None without two checks."""
        if self.calibrator_before_db is None or self.calibrator_after_db is None:
            return None
        return self.calibrator_after_db - self.calibrator_before_db

    @property
    def own_margin_db(self) -> float:
        """The margin for meter and place: the stated one, or that of the meter's class."""
        if self.margin_db is not None:
            return self.margin_db
        return COVERAGE * sqrt(_METER_DB[self.meter_class] ** 2 + _POSITION_DB**2)

    @property
    def felt_margin_db(self) -> float:
        """The margin for the vibration meter and its place, in tenths of a dB: the stated one, or the usual one."""
        if self.vibration_margin_db is not None:
            return self.vibration_margin_db
        return ceil(10.0 * COVERAGE * sqrt(_VIBRATION_METER_DB**2 + _POSTURE_DB**2)) / 10.0


def reading_uncertainty_db(calibration: Calibration) -> float:
    """Standard uncertainty of the mean of the repeated readings; 0 where their spread is not known.

    Source: ISO 9612:2009, formula C.6.
    """
    if calibration.spread_db is None or calibration.readings is None:
        return 0.0
    return calibration.spread_db / sqrt(calibration.readings)


def margin_db(measurement: MeasuredWith | None, outputs: Iterable[Output]) -> float:
    """The margin by which caps at an ear are lower: meter, place, and the worst spread of readings together.

    In tenths of a dB, rounded up. Without a measurement it is for the spread alone.
    """
    own_db = 0.0 if measurement is None else measurement.own_margin_db
    known = [output.calibration for output in outputs if output.calibration is not None]
    spread_db = COVERAGE * max(map(reading_uncertainty_db, known), default=0.0)
    return ceil(10.0 * sqrt(own_db * own_db + spread_db * spread_db) - 1e-6) / 10.0


def stricter_measurement(one: MeasuredWith | None, other: MeasuredWith | None) -> MeasuredWith | None:
    """The one with the larger margin for sound, with the larger of the two for vibration; else the first."""
    if one is None or other is None:
        return one or other
    stricter = other if other.own_margin_db > one.own_margin_db else one
    felt_db = max(one.felt_margin_db, other.felt_margin_db)
    return stricter if stricter.felt_margin_db == felt_db else replace(stricter, vibration_margin_db=felt_db)


def check_measurement(measurement: MeasuredWith | None, outputs: Mapping[str, Output]) -> Iterator[Finding]:
    """Finds a meter that drifted, and readings that spread too far."""
    for name, output in outputs.items():
        known = output.calibration
        if known is not None and known.spread_db is not None and known.spread_db > MOST_SPREAD_DB:
            what = f"The readings spread by {known.spread_db:g} dB, and steady noise gives {MOST_SPREAD_DB:g} at most."
            mend = "Look for other sounds, hold the meter still, and calibrate again. Until then the margin is larger."
            yield Finding(Severity.WARNS, f"room.toml: output.{name}.calibration.spread_db", what, mend)
    drift_db = None if measurement is None else measurement.drift_db
    if drift_db is not None and abs(drift_db) > MOST_DRIFT_DB + 1e-9:
        what = f"The meter drifted by {drift_db:+.1f} dB between the checks; {MOST_DRIFT_DB:g} dB is the most."
        mend = "What it read holds no longer: have the meter looked at, and calibrate again."
        yield Finding(Severity.STOPS, "room.toml: measurement.calibrator_after_db", what, mend)


def measurement_notes(measurement: MeasuredWith | None, outputs: Mapping[str, Output]) -> Iterator[Finding]:
    """Lists missing facts about the measurement, and readings that are partly of the background."""
    for name, output in outputs.items():
        yield from _near_background(name, output)
    known = [output.calibration for output in outputs.values() if output.calibration is not None]
    if measurement is None:
        if any(not calibration.invented for calibration in known):
            what = "Nothing says which meter read the levels, so the caps are kept as if it and its place were exact."
            mend = "Write [measurement] with meter_class = 1 or 2: caps in dB are then kept lower, by a margin."
            yield Finding(Severity.NOTES, "room.toml: measurement", what, mend)
    elif measurement.drift_db is None:
        what = "The meter was not checked with a field calibrator both before and after, so nobody knows if it drifted."
        mend = "Read a field calibrator and write calibrator_before_db and calibrator_after_db."
        yield Finding(Severity.NOTES, "room.toml: measurement", what, mend)


def _near_background(name: str, output: Output) -> Iterator[Finding]:
    """Finds a reading to which the background adds half a dB or more. A shaker is heard in its C reading alone."""
    known = output.calibration
    if known is None:
        return
    read = [("C", known.read_dbc, known.background_dbc), ("A", known.read_dba, known.background_dba)]
    over = [(level - background, by) for by, level, background in read if background is not None]
    over_db, weighting = min((one for one in over if one[1] == "C" or output.transducer != "shaker"), default=(inf, ""))
    if over_db >= ABOVE_BACKGROUND_DB:
        return
    if over_db > 0.0:
        most_db = -10.0 * exact.log10(1.0 - exact.power(10.0, -over_db / 10.0))
        what = (
            f"The {weighting} reading is only {over_db:.1f} dB above its background: the output alone gives about "
            f"{most_db:.1f} dB less, so the caps keep it quieter by that than they need."
        )
    else:
        what = f"The {weighting} reading is no higher than its background: nobody knows how loud the output is."
    mend = f"Calibrate again in a quieter hour, or play louder: {ABOVE_BACKGROUND_DB:g} dB above it is enough."
    yield Finding(Severity.NOTES, f"room.toml: output.{name}.calibration", what, mend)
