"""Calibrating an output, answer by answer."""

from datetime import date
from math import log10

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from residue.loudness import calibration_procedure as procedure
from residue.loudness.calibration import PINK_BAND_HZ, pink_level_db
from residue.loudness.calibration_signals import counted_pulses, pink_noise_loop
from residue.loudness.caps import CapEntry, expand
from residue.loudness.outputs import Output
from residue.loudness.weightings import Weighting, sections
from residue.problems import ProblemError

SPEAKER = Output(device_channel=1)
RATE_HZ = 48_000
TODAY = date(2026, 3, 2)


@pytest.mark.parametrize("transducer", ["speaker", "shaker"])
def test_the_noise_has_the_same_power_in_every_octave_of_its_band_and_none_outside(transducer: str) -> None:
    loop = pink_noise_loop(transducer)
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
    weighted = signal.sosfilt(sections(weighting, RATE_HZ), np.tile(pink_noise_loop(transducer), 2))[-20 * RATE_HZ :]
    assert 10 * log10(np.mean(weighted**2)) == pytest.approx(pink_level_db(weighting, transducer), abs=0.1)


@given(st.floats(40.0, 150.0), st.sampled_from([85.0, 93.0, 100.0]))
def test_nothing_is_ever_louder_than_the_lowest_cap(full_scale_dba: float, limit_db: float) -> None:
    caps = expand([CapEntry(quantity="LAeq", window_s=900.0, limit_db=limit_db)])
    step = procedure.begin("left", SPEAKER, caps)
    assert step.played_dbfs == -60.0
    for _ in range(40):
        reading = step.played_dbfs + full_scale_dba
        assert reading <= max(limit_db, full_scale_dba - 60.0)
        try:
            step = procedure.louder(procedure.heard(step, reading if reading > 40.0 else None))
        except ProblemError:
            return
    pytest.fail("It rose without end")


def test_a_cap_in_dbfs_bounds_it_as_well() -> None:
    step = procedure.begin("left", SPEAKER, expand([CapEntry(quantity="LZeq", window_s=60.0, limit_dbfs=-40.0)]))
    while step.played_dbfs + procedure.STEP_DB <= step.loudest_dbfs:
        step = procedure.louder(procedure.heard(step, None))
    assert step.played_dbfs <= -40.0 - procedure.CLEARANCE_DB
    with pytest.raises(ProblemError, match="as loud as it may be"):
        procedure.louder(procedure.heard(step, None))


def test_it_rises_only_after_the_meter_was_read() -> None:
    step = procedure.begin("left", SPEAKER, expand([CapEntry(rule="who-2022")]))
    with pytest.raises(ProblemError, match="has not been read"):
        procedure.louder(step)
    assert procedure.louder(procedure.heard(step, 50.0)).played_dbfs == -57.0
    assert procedure.quieter(procedure.louder(procedure.heard(step, 50.0))).played_dbfs == -60.0
    assert not procedure.loud_enough(step)
    assert procedure.loud_enough(procedure.heard(step, 70.0))


def test_readings_that_go_together_make_a_calibration() -> None:
    step = procedure.heard(procedure.begin("left", SPEAKER, ()), 72.0)
    made = procedure.answered(step, 72.0, 73.5, TODAY)
    assert (made.played_dbfs, made.read_dba, made.read_dbc, made.on) == (-60.0, 72.0, 73.5, TODAY)


@pytest.mark.parametrize(
    ("read_dba", "read_dbc", "said"),
    [
        (80.0, 70.0, r"read_dba lies \+10\.0 dB"),
        (100.0, 101.0, "full scale would be 161 dB"),
        (43.0, 44.0, "quiet room"),
    ],
)
def test_readings_that_make_no_sense_are_refused(read_dba: float, read_dbc: float, said: str) -> None:
    with pytest.raises(ProblemError, match=said):
        procedure.answered(procedure.begin("left", SPEAKER, ()), read_dba, read_dbc, TODAY)


@pytest.mark.parametrize("number", [1, 4, 5, 7])
def test_an_output_counts_its_number(number: int) -> None:
    played = counted_pulses(number, "speaker", -40.0)
    sounding = np.convolve(np.abs(played), np.ones(480) / 480, mode="same") > 1e-3
    starts = np.flatnonzero(np.diff(sounding.astype(int)) == 1)
    assert len(starts) + int(sounding[0]) == number
    assert np.max(np.abs(played)) <= 10 ** (-40 / 20) * 2**0.5 + 1e-12
