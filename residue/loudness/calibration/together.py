"""All outputs of a room at once, against the sum of what was read of each alone.

Noises that have nothing to do with each other add up by their energies. Where the meter reads something else, what was
read of the single outputs no longer holds, or never did.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import floor, fsum

from residue.loudness.calibration.calibration_procedure import CLEARANCE_DB, CalibrationStep, MeterReading
from residue.loudness.calibration.calibration_signals import Stimulus, pink_noise
from residue.loudness.caps.caps import Cap
from residue.loudness.caps.ears import ear_of
from residue.loudness.caps.quantities import Statistic
from residue.loudness.meters.levels import db_of_magnitude, db_of_power
from residue.loudness.outputs.outputs import Output

MOST_APART_DB = 1.5
"""By how much the reading of all may differ from the sum: our own judgement, twice what single readings may err."""


@dataclass(frozen=True, slots=True)
class AllTogether:
    """What plays on all outputs at once, and what a meter at the visitor's place should read of it."""

    room: Mapping[str, Output]
    """All outputs, as they were measured."""
    caps: tuple[Cap, ...]
    playing: Mapping[str, tuple[Stimulus, float]]
    """By output: a noise of its own, and its level in dBFS."""
    expected: MeterReading

    def apart_db(self, reading: MeterReading) -> float:
        """How far a reading lies above the sum, or below it: of A and C the one that differs more."""
        return max(reading.dba - self.expected.dba, reading.dbc - self.expected.dbc, key=abs)


def all_together(measured: Sequence[CalibrationStep]) -> AllTogether:
    """All that were measured, each as loud as it was read, or lower where the sum would come near a cap."""
    room = {**measured[-1].room, **{step.name: step.output for step in measured}}
    noises = {step.name: pink_noise(step.output.transducer, number) for number, step in enumerate(measured, start=1)}
    shift_db = min([0.0, *(_room_db(cap, room, measured, noises) for cap in measured[-1].caps)])
    played = {step.name: (noises[step.name], step.played_dbfs + shift_db) for step in measured}
    return AllTogether(room, measured[-1].caps, played, _expected(measured, shift_db))


def _room_db(
    cap: Cap, room: Mapping[str, Output], measured: Sequence[CalibrationStep], noises: Mapping[str, Stimulus]
) -> float:
    """The gain at which all together stay below a cap, even where they add up in phase, in whole dB."""
    gains = dict(zip(room, ear_of(cap, room).gains, strict=True))
    amplitude = 0.0
    for step in measured:
        noise = noises[step.name]
        crest_db = noise.crest_db if cap.quantity.statistic is Statistic.PEAK else 0.0
        arriving_db = step.played_dbfs + noise.weighted_db[cap.quantity.weighting] + crest_db
        amplitude += gains[step.name] * 10.0 ** (arriving_db / 20.0)
    return floor(cap.limit - CLEARANCE_DB - db_of_magnitude(amplitude)) if amplitude else 0.0


def _expected(measured: Sequence[CalibrationStep], shift_db: float) -> MeterReading:
    """The sum of the energies of all, with the background counted once."""
    sums_db = []
    for pairs in (
        [(step.reading.dba, step.background.dba) for step in measured if step.reading],
        [(step.reading.dbc, step.background.dbc) for step in measured if step.reading],
    ):
        quiet = 10.0 ** (pairs[-1][1] / 10.0)
        alone = [max(0.0, 10.0 ** (read / 10.0) - 10.0 ** (background / 10.0)) for read, background in pairs]
        sums_db.append(round(db_of_power(quiet + 10.0 ** (shift_db / 10.0) * fsum(alone)), 1))
    return MeterReading(*sums_db)


def told_of(together: AllTogether, reading: MeterReading) -> str:
    """What a reading of all together says, in words."""
    expected = together.expected
    read = f"All together read {reading.dba:g} dB(A) and {reading.dbc:g} dB(C)"
    of_sum = f"the sum of the single readings is {expected.dba:g} and {expected.dbc:g}"
    apart_db = together.apart_db(reading)
    if abs(apart_db) <= MOST_APART_DB:
        return f"{read}; {of_sum}. They agree within {MOST_APART_DB:g} dB."
    if apart_db > 0.0:
        why = "A knob was turned up after its reading, a signal reaches two amplifiers, or something else sounds here."
    else:
        why = "An amplifier gives less when all play, one is off or was turned down, or the meter stands elsewhere."
    return f"{read}; {of_sum}: {apart_db:+.1f} dB. {why} Find out, and calibrate again."
