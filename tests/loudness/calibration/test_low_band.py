"""The lowest band of a loudspeaker, against tones whose weights the standards print."""

from datetime import date

import msgspec
import pytest

from residue.loudness.calibration import calibration_procedure as procedure
from residue.loudness.calibration.calibration_procedure import CalibrationStep, MeterReading
from residue.loudness.calibration.calibration_signals import pink_noise
from residue.loudness.calibration.low_band import (
    begin_low_band,
    low_band_of,
    low_enough_read,
    lowest_hz,
    with_low_reading,
)
from residue.loudness.caps.caps import PLACE, CapEntry, expand
from residue.loudness.caps.ears import ear, ear_of
from residue.loudness.meters.levels import db_of_power
from residue.loudness.meters.weightings import Weighting
from residue.loudness.outputs.calibration import (
    Calibration,
    LowBandCalibration,
    Origin,
    band_level_db,
    low_offset_db,
    offset_db,
)
from residue.loudness.outputs.outputs import Output

TODAY = date(2026, 3, 2)
KNOWN = Calibration(played_dbfs=-30.0, read_dba=70.0, read_dbc=72.0, on=TODAY)


def low(read_db: float, weighting: str = "Z", low_hz: float = 24.0) -> LowBandCalibration:
    given = {"played_dbfs": -30.0, "read_db": read_db, "weighting": weighting, "low_hz": low_hz, "on": TODAY}
    return msgspec.convert(given, LowBandCalibration)


def test_a_weighted_reading_tells_the_same_as_an_unweighted_one() -> None:
    """At 31.5 Hz C is -3.0 dB (IEC 61672-1:2013, Table 3) and G -4.0 dB (ISO 7196:1995, Table 2).

    A third of an octave around it weighs that; of G, which falls by 8 dB over it, the energy mean lies 0.6 dB higher.
    """
    assert band_level_db(Weighting.Z, (28.1, 35.4)) == pytest.approx(0.0, abs=1e-6)
    assert band_level_db(Weighting.C, (28.1, 35.4)) == pytest.approx(-3.0, abs=0.2)
    assert band_level_db(Weighting.G, (28.1, 35.4)) == pytest.approx(-4.0 + 0.6, abs=0.2)
    c_db, g_db = (band_level_db(one, (24.0, 40.0)) for one in (Weighting.C, Weighting.G))
    assert -4.4 < c_db < -2.0
    assert low_offset_db(low(75.0)) == pytest.approx(105.0)
    assert low_offset_db(low(75.0 + c_db, "C")) == pytest.approx(105.0)
    assert low_offset_db(low(75.0 + g_db, "G")) == pytest.approx(105.0)


@pytest.mark.parametrize(("more_db", "risen_db"), [(8.0, 8.0), (-5.0, 0.0)], ids=["a room that booms", "a weak cone"])
def test_it_counts_for_z_and_g_where_it_is_higher(more_db: float, risen_db: float) -> None:
    wide_db = offset_db(KNOWN, Weighting.C, "speaker")
    held = low(wide_db + KNOWN.played_dbfs + more_db)
    outputs = {"left": Output(device_channel=1, calibration=KNOWN, low_band=held)}
    for weighting in (Weighting.A, Weighting.C, Weighting.Z, Weighting.G):
        expected = wide_db + risen_db if weighting in (Weighting.Z, Weighting.G) else None
        (gain,) = ear(outputs, PLACE, weighting, physical=True).gains
        bare = offset_db(KNOWN, weighting, "speaker")
        assert db_of_power(gain * gain) == pytest.approx(bare if expected is None else expected)
    # A sound that has nothing above 40 Hz reads as much more under C as well, so a cap on it has to count that.
    (cap,) = expand([CapEntry(quantity="LCpeak", limit_db=110.0)])
    (gain,) = ear_of(cap, outputs).gains
    assert db_of_power(gain * gain) == pytest.approx(wide_db + risen_db + 0.08)


@pytest.mark.parametrize(
    ("output", "expected"),
    [
        (Output(device_channel=1), 24.0),
        (Output(device_channel=1, subsonic_hz=8.0), 10.0),
        (Output(device_channel=1, subsonic_hz=30.0), None),
        (Output(device_channel=1, transducer="shaker"), None),
    ],
    ids=["as it comes", "a subwoofer", "a small cone", "a shaker"],
)
def test_the_band_begins_above_the_high_pass(output: Output, expected: float | None) -> None:
    assert lowest_hz(output) == expected


def measured() -> CalibrationStep:
    caps = expand([CapEntry(quantity="LZeq", window_s=60.0, limit_db=90.0)])
    step = procedure.begin(
        "left", {"left": Output(device_channel=1)}, caps, pink_noise("speaker"), MeterReading(30, 40)
    )
    return procedure.with_reading(step, MeterReading(60.0, 61.0))


def test_the_low_noise_stays_below_the_lowest_cap_by_what_is_known() -> None:
    """The wide noise read 61 dB(C): by that the low noise may rise to 84 dB, 6 dB below the cap, in steps of 3 dB."""
    caps = expand([CapEntry(quantity="LZeq", window_s=60.0, limit_db=90.0)])
    wide = measured()
    assert wide.output.calibration is not None
    step = begin_low_band(wide, caps, 24.0)
    highest_dbfs, _ = procedure.loudest(step)
    assert highest_dbfs == pytest.approx(wide.played_dbfs + 84.0 - 61.0, abs=1.0)
    booms = low_band_of(step, [70.0, 70.0], weighting="Z", low_hz=24.0, origin=Origin(on=TODAY))
    known_dbfs, _ = procedure.loudest(with_low_reading(step, booms))
    assert known_dbfs == pytest.approx(step.played_dbfs + 84.0 - 70.0, abs=0.1), "from its own reading on"


def test_a_louder_place_counts_for_the_low_noise() -> None:
    """A meter there reads 10 dB more, so the low noise has to stay 10 dB lower; a quieter place changes nothing."""
    caps = expand([CapEntry(quantity="LZeq", window_s=60.0, limit_db=90.0)])
    here, louder, quieter = (
        procedure.loudest(begin_low_band(step, caps, 24.0))[0]
        for step in (
            measured(),
            procedure.with_loudest(measured(), MeterReading(70.0, 71.0)),
            procedure.with_loudest(measured(), MeterReading(55.0, 56.0)),
        )
    )
    assert louder == pytest.approx(here - 10.0)
    assert quieter == here


def test_two_readings_above_the_background_are_enough() -> None:
    assert not low_enough_read([70.0], 40.0)
    assert not low_enough_read([70.0, 49.0], 40.0)
    assert low_enough_read([70.0, 70.4], 40.0)
    step = begin_low_band(measured(), (), 24.0)
    held = low_band_of(step, [58.0, 59.0, 57.0, 60.0], weighting="C", low_hz=24.0, origin=Origin(on=TODAY))
    assert (held.played_dbfs, held.weighting, held.on) == (-60.0, "C", TODAY)
    assert held.read_db == pytest.approx(58.64)  # ISO 1996-2:2017, formula 18
