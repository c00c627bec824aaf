"""Calibrates an output step by step; no step is ever louder than the room's lowest cap.

Pure: a step is a value, and every answer of the technician makes the next. The caller plays the
stimulus at `played_dbfs` on the one output through a cap stage made of `room` and `caps`, and silence on the others.

Before the first reading, the output counts as louder than any real one; after it, the reading counts. So the level at
the ear is never too low in the cap stage, which keeps every cap even if a step is wrong.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import KW_ONLY, dataclass, replace
from datetime import date
from math import floor, fsum, inf, log10, sqrt
from statistics import stdev

import msgspec

from residue.loudness.calibration.calibration_signals import Stimulus
from residue.loudness.caps.caps import PLACE, Cap, protecting_caps
from residue.loudness.caps.ears import ear_of
from residue.loudness.caps.quantities import QUANTITIES, Statistic
from residue.loudness.meters.levels import db_of_power
from residue.loudness.meters.vibration import estimated_vdv
from residue.loudness.meters.weightings import FELT, Weighting
from residue.loudness.outputs.calibration import (
    AnyCalibration,
    Calibration,
    Origin,
    VibrationCalibration,
    pink_level_db,
)
from residue.loudness.outputs.measurement import ABOVE_BACKGROUND_DB
from residue.loudness.outputs.odd_readings import (
    LOUDEST_FULL_SCALE_DB,
    QUIETEST_DBA,
    QUIETEST_SHAKER_DBC,
    STRONGEST_FULL_SCALE_M_PER_S2,
    odd_readings,
    odd_vibration,
)
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.limiter import limiter_ceiling
from residue.problems import Finding, ProblemError, Severity, stopping

START_DBFS = -60.0
QUIETEST_DBFS = -90.0
STEP_DB = 3.0
CLEARANCE_DB = 6.0
"""Every step stays below the lowest cap by this, according to the readings so far."""
UNEVEN_DB = 1.5
"""The rise of a reading may differ from the rise of the played level by this: our own judgement."""
_MOST_A_ABOVE_C_DB = 3.0
"""By the formulas of IEC 61672-1 A lies 1.94 dB above C at most, at high frequencies; the rest is for the meter."""
LEAST_READINGS = 2
"""One reading says nothing of its spread."""
_SECOND_S = 1.0
_TRUE_PEAK_DB = 1.0
"""A true peak of noise is at most so much above its highest sample: our choice; the limiter bounds it in any case."""
_ASSUMED_DBFS = -20.0
_ASSUMED = Origin(on=date(1970, 1, 1))


@dataclass(frozen=True, slots=True)
class MeterReading:
    """One reading that the technician took from a meter."""

    dba: float
    dbc: float
    _: KW_ONLY
    aw_m_per_s2: float | None = None
    """The reading of a vibration meter, if there is one."""


@dataclass(frozen=True, slots=True)
class CalibrationStep:
    """One output, and the sound that plays on it now."""

    name: str
    room: Mapping[str, Output]
    """All outputs; this one at its highest possible loudness by the readings so far, without its trim and delay."""
    caps: tuple[Cap, ...]
    """The caps of the room, each kept over every second."""
    stimulus: Stimulus
    played_dbfs: float
    background: MeterReading
    readings: tuple[tuple[float, MeterReading], ...] = ()
    """(played_dbfs, reading), the newest last."""
    loudest: MeterReading | None = None
    """The reading at the present level, at the loudest place that visitors can reach."""
    horizontal_m_per_s2: float | None = None
    """The reading of a vibration meter at the present level, horizontal with weighting Wd."""

    @property
    def needs_horizontal(self) -> bool:
        """Whether a cap needs a horizontal reading that is still missing, of an output whose vibration was read."""
        if self.horizontal_m_per_s2 is not None or self.reading is None or self.reading.aw_m_per_s2 is None:
            return False
        caps = [cap for cap in self.caps if cap.quantity.weighting is Weighting.WD]
        return any(cap.at in (PLACE, self.name) for cap in caps)

    @property
    def needs_vibration(self) -> bool:
        """Whether a cap needs the reading of a vibration meter that is still missing: of a shaker, or of this output.

        It is then asked for up and down first, since a horizontal one stands beside it.
        """
        if self.reading is not None and self.reading.aw_m_per_s2 is not None:
            return False
        places = (PLACE, self.name) if self.output.transducer == "shaker" else (self.name,)
        return any(cap.quantity.felt and cap.at in places for cap in self.caps)

    @property
    def output(self) -> Output:
        """The output that is calibrated, with its assumed loudness."""
        return self.room[self.name]

    @property
    def here(self) -> tuple[MeterReading, ...]:
        """The readings at the level that plays now."""
        return tuple(reading for played_dbfs, reading in self.readings if played_dbfs == self.played_dbfs)

    @property
    def reading(self) -> MeterReading | None:
        """The mean of the readings at the level that plays now; None before there is one."""
        return mean_of(self.here) if self.here else None

    @property
    def read_often_enough(self) -> bool:
        """Whether there are enough readings at this level for their spread."""
        return len(self.here) >= LEAST_READINGS

    @property
    def playing(self) -> Mapping[str, tuple[Stimulus, float]]:
        """By output: the sound that plays, and its level in dBFS."""
        return {self.name: (self.stimulus, self.played_dbfs)}


def mean_of(readings: Sequence[MeterReading]) -> MeterReading:
    """The energy mean of readings, to a hundredth: ISO 1996-2:2017, formula 18; of accelerations the r.m.s."""
    a_db, c_db = (
        round(db_of_power(fsum(10.0 ** (level / 10.0) for level in levels) / len(readings)), 2)
        for levels in ([one.dba for one in readings], [one.dbc for one in readings])
    )
    felt = [one.aw_m_per_s2 for one in readings if one.aw_m_per_s2 is not None]
    aw_m_per_s2 = round(sqrt(fsum(one * one for one in felt) / len(felt)), 5) if felt else None
    return MeterReading(a_db, c_db, aw_m_per_s2=aw_m_per_s2)


def spread_db(readings: Sequence[MeterReading], transducer: str) -> float:
    """Standard deviation of two readings or more, of A or C, whichever is larger; for a shaker of C."""
    weightings = [[one.dbc for one in readings]]
    if transducer != "shaker":
        weightings.append([one.dba for one in readings])
    return round(max(stdev(levels) for levels in weightings), 2)


def begin(
    name: str, outputs: Mapping[str, Output], caps: Sequence[Cap], stimulus: Stimulus, background: MeterReading
) -> CalibrationStep:
    """The first step of an output, at a level that no amplifier makes loud.

    Raises ProblemError where a cap leaves no room for it.
    """
    unknown = msgspec.structs.replace(outputs[name], calibration=None, low_band=None, vibration=None)
    room = _believed({**outputs, name: unknown}, caps)
    return _started(CalibrationStep(name, room, held_over_a_second(caps), stimulus, START_DBFS, background))


def begin_as_calibrated(
    name: str, outputs: Mapping[str, Output], caps: Sequence[Cap], stimulus: Stimulus
) -> CalibrationStep:
    """The first step of an output that is only to be identified: it uses its calibration, if there is one."""
    silence = MeterReading(-inf, -inf)
    room, strict = _believed(outputs, caps), held_over_a_second(caps)
    return _started(CalibrationStep(name, room, strict, stimulus, START_DBFS, silence))


def _started(step: CalibrationStep) -> CalibrationStep:
    highest_dbfs, cap = loudest(step)
    if highest_dbfs < QUIETEST_DBFS:
        what = f"{cap} is so low that nothing can be played safely before the loudness of this output is known."
        mend = "State a higher cap for the calibration, with nobody but the technician in the room."
        raise stopping(f"calibration of {step.name}", what, mend)
    return replace(step, played_dbfs=min(START_DBFS, float(floor(highest_dbfs))))


def held_over_a_second(caps: Sequence[Cap]) -> tuple[Cap, ...]:
    """The caps over one second, so that no louder time can be balanced by a quieter one.

    A dose becomes the steady vibration that would give it over its window: ISO 2631-1, Annex B, 1.4 aw t^(1/4).
    """

    def held(cap: Cap) -> Cap:
        if cap.quantity.statistic is Statistic.DOSE:
            steady_db = cap.limit - 20.0 * log10(estimated_vdv(1.0, cap.window_s))
            cap = replace(cap, quantity=QUANTITIES[cap.quantity.name.replace("VDV", "aw")], limit=steady_db)
        return replace(cap, window_s=_SECOND_S) if cap.quantity.windowed else cap

    return tuple(held(cap) for cap in caps)


def _believed(outputs: Mapping[str, Output], caps: Sequence[Cap]) -> dict[str, Output]:
    """Outputs without trim and delay; an unknown one counts as louder and stronger than any real one."""
    shaking = {cap.at for cap in caps if cap.quantity.felt}
    shaking |= {name for name, output in outputs.items() if output.transducer == "shaker"}
    return {
        name: msgspec.structs.replace(
            output,
            trim_db=0.0,
            delay_ms=0.0,
            calibration=output.calibration or _as_loud_as_none(output.transducer),
            vibration=output.vibration or (_as_strong_as_none(output.transducer) if name in shaking else None),
        )
        for name, output in outputs.items()
    }


def _as_loud_as_none(transducer: str) -> Calibration:
    a_db, c_db = (pink_level_db(weighting, transducer) for weighting in (Weighting.A, Weighting.C))
    full_dbfs = LOUDEST_FULL_SCALE_DB + _ASSUMED_DBFS
    return Calibration(played_dbfs=_ASSUMED_DBFS, read_dba=full_dbfs + a_db, read_dbc=full_dbfs + c_db, on=_ASSUMED.on)


def _as_strong_as_none(transducer: str, played_dbfs: float = _ASSUMED_DBFS) -> VibrationCalibration:
    up_and_down, horizontal = (
        STRONGEST_FULL_SCALE_M_PER_S2 * 10.0 ** ((played_dbfs + pink_level_db(weighting, transducer)) / 20.0)
        for weighting in FELT
    )
    return VibrationCalibration(
        played_dbfs=played_dbfs, read_aw_m_per_s2=up_and_down, read_horizontal_m_per_s2=horizontal, on=_ASSUMED.on
    )


def loudest(step: CalibrationStep) -> tuple[float, str]:
    """The highest level in dBFS that may be played according to the readings, and the reason for it."""
    output, stimulus = step.output, step.stimulus
    ceiling_dbfs = 20.0 * log10(limiter_ceiling(output)) - stimulus.crest_db - _TRUE_PEAK_DB
    bounds = [(ceiling_dbfs, f"ceiling_dbtp = {output.ceiling_dbtp:g}")]
    own = protecting_caps({step.name: output})
    index = list(step.room).index(step.name)
    for cap in (*step.caps, *own):
        gain = ear_of(cap, step.room).gains[index]
        if gain == 0.0:
            continue
        crest_db = stimulus.crest_db if cap.quantity.statistic is Statistic.PEAK else 0.0
        arriving_db = stimulus.weighted_db[cap.quantity.weighting] + crest_db + db_of_power(gain * gain)
        bounds.append(
            (cap.limit - arriving_db - CLEARANCE_DB, f"The cap of {cap.limit_in_words} as {cap.quantity.name}")
        )
    return min(bounds)


def with_reading(step: CalibrationStep, reading: MeterReading | None) -> CalibrationStep:
    """The same level, with a reading; None where the meter shows no more than the background."""
    read = mean_of((*step.here, reading)) if reading else step.background
    calibration, vibration = _measured(step.played_dbfs, read, _ASSUMED)
    if vibration is not None:  # until the horizontal one is read, it stays as strong as none is
        strongest = _as_strong_as_none(step.output.transducer, step.played_dbfs).read_horizontal_m_per_s2
        sideways = strongest if step.horizontal_m_per_s2 is None else step.horizontal_m_per_s2
        vibration = msgspec.structs.replace(vibration, read_horizontal_m_per_s2=sideways)
    known = msgspec.structs.replace(step.output, calibration=calibration, vibration=vibration or step.output.vibration)
    readings = step.readings if reading is None else (*step.readings, (step.played_dbfs, reading))
    return replace(step, room={**step.room, step.name: known}, readings=readings)


def louder(step: CalibrationStep) -> CalibrationStep:
    """The next level. Raises ProblemError where it might be too loud."""
    highest_dbfs, why = loudest(step)
    if step.played_dbfs + STEP_DB > highest_dbfs:
        raise stopping(
            f"calibration of {step.name}",
            f"{why} allows no more than {step.played_dbfs:g} dBFS here, with {CLEARANCE_DB:g} dB in hand.",
            "Calibrate at this level; or move the amplifier and begin this output again.",
        )
    return replace(step, played_dbfs=step.played_dbfs + STEP_DB, horizontal_m_per_s2=None)


def quieter(step: CalibrationStep) -> CalibrationStep:
    """Goes back to the previous level."""
    return replace(step, played_dbfs=max(QUIETEST_DBFS, step.played_dbfs - STEP_DB), horizontal_m_per_s2=None)


def loud_enough(step: CalibrationStep) -> bool:
    """Whether the reading at this level stands well above the background: C for a shaker, which A hardly measures."""
    if step.reading is None:
        return False
    over_a, over_c = step.reading.dba - step.background.dba, step.reading.dbc - step.background.dbc
    if step.output.transducer == "shaker":
        return over_c >= ABOVE_BACKGROUND_DB and step.reading.dbc >= QUIETEST_SHAKER_DBC
    return min(over_a, over_c) >= ABOVE_BACKGROUND_DB and step.reading.dba >= QUIETEST_DBA


def possible_background(reading: MeterReading) -> None:
    """Raises ProblemError where A lies so far above C as no sound makes it."""
    if reading.dba > reading.dbc + _MOST_A_ABOVE_C_DB:
        what = f"{reading.dba:g} dB(A) lies above {reading.dbc:g} dB(C), and no sound reads so."
        raise stopping("calibration, nothing playing", what, "Write A and then C, both read at the same time.")


def makes_sense(step: CalibrationStep, reading: MeterReading) -> None:
    """Raises ProblemError where a reading at this level contradicts itself or those before."""
    where = f"calibration of {step.name}"
    calibration, vibration = _measured(step.played_dbfs, reading, _ASSUMED)
    findings = odd_readings(where, calibration, step.output.transducer)
    if vibration is not None:
        findings += odd_vibration(where, vibration, step.output.transducer)
    findings += _against_earlier(where, step, reading)
    stops = [finding for finding in findings if finding.severity is Severity.STOPS]
    if stops:
        raise ProblemError(stops)


def with_loudest(step: CalibrationStep, reading: MeterReading) -> CalibrationStep:
    """The same step with a reading at the loudest place, which counts from now on.

    Raises ProblemError where it is implausible.
    """
    where = f"calibration of {step.name}, loudest place"
    if reading.aw_m_per_s2 is not None:
        raise stopping(where, "Vibration is not asked for here.", "Write two numbers, A and then C.")
    calibration, _ = _measured(step.played_dbfs, reading, _ASSUMED)
    odd = [one for one in odd_readings(where, calibration, step.output.transducer) if one.severity is Severity.STOPS]
    if odd:
        raise ProblemError(odd)
    known = step.output.calibration and msgspec.structs.replace(
        step.output.calibration, loudest_dba=reading.dba, loudest_dbc=reading.dbc
    )
    room = {**step.room, step.name: msgspec.structs.replace(step.output, calibration=known)}
    return replace(step, room=room, loudest=reading)


def with_horizontal(step: CalibrationStep, read_m_per_s2: float) -> CalibrationStep:
    """The same step with a horizontal reading, which counts from now on. Raises ProblemError if it is implausible."""
    vibration = step.output.vibration and msgspec.structs.replace(
        step.output.vibration, read_horizontal_m_per_s2=read_m_per_s2
    )
    odd = odd_vibration(f"calibration of {step.name}", vibration, step.output.transducer) if vibration else []
    if odd:
        raise ProblemError(odd)
    room = {**step.room, step.name: msgspec.structs.replace(step.output, vibration=vibration)}
    return replace(step, room=room, horizontal_m_per_s2=read_m_per_s2)


def _against_earlier(where: str, step: CalibrationStep, reading: MeterReading) -> list[Finding]:
    findings = []
    weightings = [("A", reading.dba, step.background.dba), ("C", reading.dbc, step.background.dbc)]
    for weighting, read, background in weightings:
        if read < background - UNEVEN_DB:
            what = f"{read:g} dB({weighting}) is less than the {background:g} that was read with nothing playing."
            findings.append(Finding(Severity.STOPS, where, what, "Read again, or begin this output again."))
    earlier = [(played, read) for played, read in step.readings if played != step.played_dbfs]
    if not earlier or findings:
        return findings
    played_dbfs, before = earlier[-1]
    rise_db = step.played_dbfs - played_dbfs
    for (weighting, read, background), former in zip(weightings, (before.dba, before.dbc), strict=True):
        clear = min(read, former) >= background + ABOVE_BACKGROUND_DB
        if clear and abs(read - former - rise_db) > UNEVEN_DB:
            what = f"{weighting} changed by {read - former:+.1f} dB where {rise_db:+.1f} dB were played."
            mend = "Let the meter settle and read again; look for a compressor in the amplifier, or for other sounds."
            findings.append(Finding(Severity.STOPS, where, what, mend))
    return findings


def answered(step: CalibrationStep, origin: Origin) -> dict[str, AnyCalibration]:
    """The calibration keys of room.toml that follow from the reading at this level.

    Raises ProblemError where the meter has not been read often enough at this level.
    """
    if step.reading is None:
        mend = "Type the reading first."
        raise stopping(f"calibration of {step.name}", "The meter has not been read at this level.", mend)
    if not step.read_often_enough:
        mend = "Read the meter once more at this level."
        raise stopping(f"calibration of {step.name}", "One reading says nothing of its spread.", mend)
    calibration, vibration = _measured(step.played_dbfs, step.reading, origin)
    calibration = msgspec.structs.replace(
        calibration,
        readings=len(step.here),
        spread_db=spread_db(step.here, step.output.transducer),
        background_dba=step.background.dba,
        background_dbc=step.background.dbc,
        loudest_dba=step.loudest and step.loudest.dba,
        loudest_dbc=step.loudest and step.loudest.dbc,
    )
    measured: dict[str, AnyCalibration] = {"calibration": calibration}
    if vibration is None:
        return measured
    sideways = step.horizontal_m_per_s2
    return measured | {"vibration": msgspec.structs.replace(vibration, read_horizontal_m_per_s2=sideways)}


def _measured(
    played_dbfs: float, reading: MeterReading, origin: Origin
) -> tuple[Calibration, VibrationCalibration | None]:
    where = msgspec.structs.asdict(origin)
    calibration = Calibration(played_dbfs=played_dbfs, read_dba=reading.dba, read_dbc=reading.dbc, **where)
    if reading.aw_m_per_s2 is None:
        return calibration, None
    return calibration, VibrationCalibration(played_dbfs=played_dbfs, read_aw_m_per_s2=reading.aw_m_per_s2, **where)
