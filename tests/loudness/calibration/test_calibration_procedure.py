"""Calibrating an output, answer by answer."""

from dataclasses import replace
from datetime import date
from math import inf, log10

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from residue.loudness.calibration import calibration_procedure as procedure
from residue.loudness.calibration.calibration_procedure import CalibrationStep, MeterReading
from residue.loudness.calibration.calibration_signals import PULSE_HZ, counted_pulses, pink_noise
from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.meters.weightings import Weighting, sections
from residue.loudness.outputs.calibration import (
    PINK_BAND_HZ,
    Calibration,
    Origin,
    VibrationCalibration,
    offset_db,
    pink_level_db,
)
from residue.loudness.outputs.outputs import Output
from residue.problems import ProblemError

SPEAKER = Output(device_channel=1)
SHAKER = Output(device_channel=2, transducer="shaker")
RATE_HZ = 48_000
TODAY = date(2026, 3, 2)
QUIET = MeterReading(38.0, 50.0)
STIMULI = {transducer: pink_noise(transducer) for transducer in PINK_BAND_HZ}
NOISE = STIMULI["speaker"]
WHO = expand([CapEntry(rule="who-2022")])


@pytest.mark.parametrize("transducer", ["speaker", "shaker"])
def test_the_noise_has_the_same_power_in_every_octave_of_its_band_and_none_outside(transducer: str) -> None:
    loop = pink_noise(transducer).loop
    assert np.mean(loop**2) == pytest.approx(1.0)
    frequency_hz, density = signal.welch(np.tile(loop, 2), RATE_HZ, nperseg=1 << 16)
    low_hz, high_hz = PINK_BAND_HZ[transducer]
    octaves_db = []
    for start_hz in low_hz * 2.0 ** np.arange(np.floor(np.log2(high_hz / low_hz))):
        inside = (frequency_hz >= start_hz) & (frequency_hz < 2 * start_hz)
        octaves_db.append(10 * log10(float(np.sum(density[inside]))))
    assert max(octaves_db) - min(octaves_db) < 1.0
    outside = (frequency_hz < low_hz * 0.9) | (frequency_hz > high_hz * 1.1)
    assert np.sum(density[outside]) < 1e-4 * np.sum(density)


@pytest.mark.parametrize("transducer", ["speaker", "shaker"])
@pytest.mark.parametrize("weighting", [Weighting.A, Weighting.C])
def test_the_noise_weighs_what_the_calibration_takes_it_to_weigh(transducer: str, weighting: Weighting) -> None:
    weighted = signal.sosfilt(sections(weighting, RATE_HZ), np.tile(pink_noise(transducer).loop, 2))[-20 * RATE_HZ :]
    assert 10 * log10(np.mean(weighted**2)) == pytest.approx(pink_level_db(weighting, transducer), abs=0.1)


def begun(caps: list[CapEntry], output: Output = SPEAKER) -> CalibrationStep:
    return procedure.begin("left", {"left": output}, expand(caps), STIMULI[output.transducer], QUIET)


def risen_in_silence(step: CalibrationStep) -> tuple[CalibrationStep, str]:
    """As loud as it gets while the meter shows nothing, and why it gets no louder."""
    for _ in range(60):
        try:
            step = procedure.louder(procedure.with_reading(step, None))
        except ProblemError as error:
            return step, str(error)
    raise AssertionError("It rose without end")


def shown(step: CalibrationStep, full_scale_dba: float, full_scale_dbc: float) -> MeterReading | None:
    """What a meter shows of an output of this strength over the background; None if that is not to be seen."""
    exact = (step.played_dbfs + full_scale_dba, step.played_dbfs + full_scale_dbc)
    levels = (QUIET.dba, QUIET.dbc)
    a, c = (10 * log10(10 ** (of / 10) + 10 ** (b / 10)) for of, b in zip(exact, levels, strict=True))
    return MeterReading(a, c) if max(a - QUIET.dba, c - QUIET.dbc) > 3.0 else None


CAPS = st.sampled_from(
    [
        [CapEntry(rule="who-2022")],
        [CapEntry(quantity="LCeq", window_s=900.0, limit_db=85.0)],
        [CapEntry(quantity="LCpeak", limit_db=100.0)],
        [CapEntry(quantity="LGeq", window_s=60.0, limit_db=80.0), CapEntry(rule="eu-staff-lower")],
        [CapEntry(quantity="LAFmax", limit_db=75.0)],
    ]
)


@given(st.floats(40.0, 148.0), st.floats(-2.0, 15.0), CAPS)
def test_nothing_is_ever_louder_than_the_lowest_cap(
    full_scale_dba: float, c_above: float, caps: list[CapEntry]
) -> None:
    """At every level that is ever played, whatever the amplifier, by the level under the weighting of each cap."""
    step = begun(caps)
    c_above = min(c_above, 149.0 - full_scale_dba)
    for _ in range(60):
        for cap in expand(caps):
            weighting = cap.quantity.weighting
            full_scale_db = full_scale_dba if weighting is Weighting.A else full_scale_dba + c_above
            base = Weighting.A if weighting is Weighting.A else Weighting.C
            of_weighting_db = NOISE.weighted_db[weighting] - NOISE.weighted_db[base]
            crest_db = NOISE.crest_db if cap.quantity.name == "LCpeak" else 0.0
            assert step.played_dbfs + full_scale_db + of_weighting_db + crest_db <= cap.limit, cap.name
        try:
            step = procedure.louder(procedure.with_reading(step, shown(step, full_scale_dba, full_scale_dba + c_above)))
        except ProblemError:
            return
    pytest.fail("It rose without end")


def test_a_cap_in_dbfs_bounds_it_as_well() -> None:
    step = begun([CapEntry(quantity="LZeq", window_s=60.0, limit_dbfs=-40.0)])
    step, why = risen_in_silence(step)
    assert "-40 dBFS as LZeq allows no more than" in why
    assert -40.0 - procedure.CLEARANCE_DB - procedure.STEP_DB < step.played_dbfs <= -40.0 - procedure.CLEARANCE_DB


def test_a_low_cap_begins_lower_and_too_low_a_cap_does_not_begin() -> None:
    assert begun([CapEntry(rule="who-2022")]).played_dbfs == -60.0
    assert begun([CapEntry(quantity="LCeq", window_s=60.0, limit_db=80.0)]).played_dbfs == -76.0
    with pytest.raises(ProblemError, match=r"60 dB\(C\) as LCeq is so low that nothing can be played safely"):
        begun([CapEntry(quantity="LCeq", window_s=60.0, limit_db=60.0)])


def test_a_shaker_is_not_driven_harder_than_a_cap_on_vibration_allows_before_it_is_measured() -> None:
    caps = [CapEntry(quantity="aw", window_s=60.0, limit_m_per_s2=0.5)]
    step = begun(caps, SHAKER)
    step, why = risen_in_silence(step)
    assert "0.5 m/s² as aw" in why
    # At full scale 100 m/s² are assumed; the noise weighs what it weighs under Wk.
    limit_dbfs = 20 * log10(0.5 / 100.0) - pink_level_db(Weighting.WK, "shaker") - procedure.CLEARANCE_DB
    assert limit_dbfs - procedure.STEP_DB < step.played_dbfs <= limit_dbfs
    measured = procedure.with_reading(step, MeterReading(38.0, 62.0, aw_m_per_s2=0.01))
    assert procedure.louder(measured).played_dbfs == step.played_dbfs + 3.0


def test_no_reading_up_and_down_lets_a_shaker_pass_a_cap_on_horizontal_vibration() -> None:
    """Nothing at the terminal tells how strong that is."""
    step = begun([CapEntry(quantity="aw horizontal", window_s=60.0, limit_m_per_s2=0.5)], SHAKER)
    step, why = risen_in_silence(step)
    assert "0.5 m/s² as aw horizontal" in why
    measured = procedure.with_reading(step, MeterReading(38.0, 62.0, aw_m_per_s2=0.01))
    with pytest.raises(ProblemError, match="aw horizontal"):
        procedure.louder(measured)


def test_a_cap_on_the_dose_counts_as_the_steady_vibration_that_gives_it() -> None:
    """Directive 2002/44/EC, Article 3: 9.1 m/s^1.75 and 0.5 m/s² are the same action value over eight hours."""
    caps = [
        CapEntry(quantity="VDV", window_s=28_800.0, limit_m_per_s1_75=9.1),
        CapEntry(quantity="A(8)", limit_m_per_s2=0.5),
    ]
    dose, steady = procedure.held_over_a_second(expand(caps))
    assert (dose.quantity.name, dose.window_s, steady.window_s) == ("aw", 1.0, 1.0)
    assert dose.limit == pytest.approx(steady.limit, abs=0.03)


def test_trim_and_delay_do_not_touch_the_noise() -> None:
    step = begun([CapEntry(rule="who-2022")], Output(device_channel=1, trim_db=-12.0, delay_ms=40.0))
    assert (step.output.trim_db, step.output.delay_ms) == (0.0, 0.0)


def test_a_reading_is_enough_when_it_stands_well_above_the_background() -> None:
    step = begun([CapEntry(rule="who-2022")])
    assert not procedure.loud_enough(step)
    assert not procedure.loud_enough(procedure.with_reading(step, MeterReading(46.0, 58.0)))
    assert procedure.loud_enough(procedure.with_reading(step, MeterReading(50.0, 61.0)))
    assert not procedure.loud_enough(replace(procedure.with_reading(step, MeterReading(50.0, 61.0)), played_dbfs=-57.0))
    shaker = begun([CapEntry(rule="who-2022")], SHAKER)
    assert procedure.loud_enough(procedure.with_reading(shaker, MeterReading(39.0, 61.0)))


def read_twice(step: CalibrationStep, *readings: MeterReading) -> CalibrationStep:
    for reading in readings:
        step = procedure.with_reading(step, reading)
    return step


def test_readings_that_go_together_make_a_calibration() -> None:
    step = procedure.with_reading(begun([CapEntry(rule="who-2022")]), MeterReading(72.0, 73.5))
    with pytest.raises(ProblemError, match="One reading says nothing of its spread"):
        procedure.answered(step, Origin(on=TODAY))
    step = procedure.with_reading(step, MeterReading(72.0, 73.7))
    assert procedure.answered(step, Origin(on=TODAY)) == {
        "calibration": Calibration(
            played_dbfs=-60.0,
            read_dba=72.0,
            read_dbc=73.6,
            on=TODAY,
            readings=2,
            spread_db=0.14,
            background_dba=38.0,
            background_dbc=50.0,
        )
    }
    readings = [MeterReading(50.0, 73.5, aw_m_per_s2=aw) for aw in (0.03, 0.04)]
    felt = read_twice(begun([CapEntry(rule="who-2022")], SHAKER), *readings)
    assert procedure.answered(felt, Origin(on=TODAY))["vibration"] == VibrationCalibration(
        played_dbfs=-60.0, read_aw_m_per_s2=0.03536, on=TODAY
    )
    with pytest.raises(ProblemError, match="has not been read"):
        procedure.answered(procedure.louder(step), Origin(on=TODAY))


def test_repeated_readings_are_averaged_by_energy() -> None:
    """ISO 1996-2:2017, formula 18: of 58, 59, 57 and 60 dB the mean is 58.6428; their standard deviation is 1.291."""
    readings = [MeterReading(level, 70.0) for level in (58.0, 59.0, 57.0, 60.0)]
    assert procedure.mean_of(readings).dba == pytest.approx(58.6428, abs=0.005)
    assert procedure.spread_db(readings, "speaker") == pytest.approx(1.291, abs=0.005)
    assert procedure.spread_db(readings, "shaker") == 0.0, "A hardly sees a shaker"


def test_the_louder_of_two_places_counts_for_each_weighting() -> None:
    step = read_twice(begun([CapEntry(rule="who-2022")]), MeterReading(72.0, 73.5), MeterReading(72.0, 73.5))
    with pytest.raises(ProblemError, match=r"read_dba lies \+8\.0 dB"):
        procedure.with_loudest(step, MeterReading(82.0, 74.0))
    known = procedure.answered(procedure.with_loudest(step, MeterReading(75.0, 73.0)), Origin(on=TODAY))["calibration"]
    assert isinstance(known, Calibration)
    before = msgspec.structs.replace(known, loudest_dba=None, loudest_dbc=None)
    risen_db = {one: offset_db(known, one, "speaker") - offset_db(before, one, "speaker") for one in Weighting}
    assert risen_db == {one: pytest.approx(3.0 if one is Weighting.A else 0.0) for one in Weighting}


@pytest.mark.parametrize(
    ("reading", "said"),
    [
        (MeterReading(80.0, 70.0), r"read_dba lies \+10\.0 dB"),
        (MeterReading(100.0, 101.0), "full scale would be 161 dB"),
        (MeterReading(34.0, 45.0), r"34 dB\(A\) is less than the 38 that was read with nothing playing"),
        (MeterReading(52.0, 63.0, aw_m_per_s2=10.0), "not mm/s²"),
    ],
    ids=["A above C", "200 dB", "below the background", "vibration in a wrong unit"],
)
def test_readings_that_make_no_sense_are_refused(reading: MeterReading, said: str) -> None:
    with pytest.raises(ProblemError, match=said):
        procedure.makes_sense(begun([CapEntry(rule="who-2022")]), reading)


@pytest.mark.parametrize(("rise_db", "refused"), [(3.0, False), (4.4, False), (0.5, True), (6.0, True)])
def test_a_reading_rises_as_much_as_what_was_played(rise_db: float, *, refused: bool) -> None:
    step = procedure.louder(procedure.with_reading(begun([CapEntry(rule="who-2022")]), MeterReading(60.0, 62.0)))
    reading = MeterReading(60.0 + rise_db, 62.0 + rise_db)
    if not refused:
        procedure.makes_sense(step, reading)
        return
    with pytest.raises(ProblemError, match=r"where \+3\.0 dB were played"):
        procedure.makes_sense(step, reading)


def test_an_output_that_is_only_to_be_found_is_believed_by_its_calibration() -> None:
    known = msgspec.structs.replace(
        SPEAKER, calibration=Calibration(played_dbfs=-20.0, read_dba=80.0, read_dbc=82.0, on=TODAY)
    )
    highest = {}
    for name, output in (("known", known), ("unknown", SPEAKER)):
        step = procedure.begin_as_calibrated("left", {"left": output}, WHO, counted_pulses(1, "speaker"))
        highest[name], _ = procedure.loudest(step)
    assert highest["known"] > highest["unknown"] + 20.0
    assert highest["unknown"] < -40.0


@pytest.mark.parametrize("number", [1, 4, 5, 7])
def test_an_output_counts_its_number(number: int) -> None:
    played = counted_pulses(number, "speaker").loop
    sounding = np.convolve(np.abs(played), np.ones(480) / 480, mode="same") > 0.1
    starts = np.flatnonzero(np.diff(sounding.astype(int)) == 1)
    assert len(starts) + int(sounding[0]) == number
    assert np.max(np.abs(played)) <= 2**0.5


@pytest.mark.parametrize("transducer", PULSE_HZ)
def test_a_pulse_weighs_what_its_pitch_weighs(transducer: str) -> None:
    """IEC 61672-1:2013, Table 3: A at 440 Hz lies between -4.8 (400 Hz) and -3.2 (500 Hz); at 50 Hz -30.2, C -1.3."""
    weighted = counted_pulses(1, transducer).weighted_db
    if transducer == "shaker":
        assert weighted[Weighting.A] == pytest.approx(-30.2, abs=0.1)
        assert weighted[Weighting.C] == pytest.approx(-1.3, abs=0.1)
    else:
        assert -4.8 < weighted[Weighting.A] < -3.2
    assert weighted[Weighting.Z] == 0.0 > -inf
