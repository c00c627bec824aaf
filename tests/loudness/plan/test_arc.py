"""A gain that moves, for houses that want it."""

from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.dsp import exact
from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.caps.ears import ears
from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.outputs.calibration import Calibration, VibrationCalibration
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.arc import (
    SLOPE_DB_PER_MINUTE,
    GainCurve,
    keeps_order,
    lowered_above,
    minute_levels_db,
    planned,
    reshaped,
    shape,
)
from residue.loudness.plan.order import repeated
from residue.loudness.plan.plan import plan
from residue.loudness.plan.profile import LevelProfile, profile
from residue.loudness.stage.stage import CapStage
from tests.loudness.plan.level_profiles import of_energy

OUTPUTS = {"left": Output(device_channel=1)}
CAPS = expand([CapEntry(quantity="LAeq", window_s=120.0, limit_dbfs=-30.0)])
FELT = VibrationCalibration(played_dbfs=-20.0, read_aw_m_per_s2=1.0, on=date(2026, 3, 2))
KEY = "A at place, dBFS"


def swelling(minutes: int, first_db: float, last_db: float) -> LevelProfile:
    """A profile that rises evenly, the same at every ear."""
    heard = ears(OUTPUTS, CAPS)
    levels_db = np.linspace(first_db, last_db, 600 * minutes)
    energy = np.tile(10 ** (levels_db / 10) * HOP_FRAMES, (len(heard), 1))
    return of_energy(heard, energy)


@given(st.lists(st.floats(-80.0, 0.0), min_size=1, max_size=30), st.floats(-80.0, 0.0))
def test_the_gain_moves_no_faster_than_stated_and_never_up(levels: list[float], threshold_db: float) -> None:
    gains_db = lowered_above(np.array(levels), threshold_db)
    assert np.all(gains_db <= 0.0)
    assert np.all(np.abs(np.diff(gains_db)) <= SLOPE_DB_PER_MINUTE + 1e-9)


def test_a_shaped_arc_lowers_the_climax_and_leaves_the_beginning() -> None:
    swell = swelling(10, -50.0, -20.0)
    (found,) = shape([("loud", swell)], 600.0, CAPS, OUTPUTS).values()
    assert found.knots_db[0] > -1.0
    assert found.knots_db[-1] < -4.0
    assert keeps_order(minute_levels_db(swell, KEY), np.array(found.knots_db))
    whole = plan([("loud", swell)], 600.0, CAPS, OUTPUTS).gain_db("loud")
    after = plan([("loud", reshaped(swell, found))], 600.0, CAPS, OUTPUTS).gain_db("loud")
    assert after > whole + 3.0  # what is left to lower as a whole
    shaped = planned({"loud": swell}, repeated(["loud"], 600.0), 600.0, CAPS, OUTPUTS, "shaped").of("loud")
    assert shaped.knots_db == found.knots_db
    assert shaped.words.startswith("loud: shaped: minute 10 is lowered by")
    assert "dB less contrast" in shaped.words


def test_it_is_shaped_by_the_cap_that_decides_also_where_that_is_a_dose_of_vibration() -> None:
    # Heard evenly and far below its cap, felt ever more strongly: 40 dB in ten minutes, above a cap on VDV.
    outputs = {"floor": Output(device_channel=1, transducer="shaker", vibration=FELT)}
    caps = expand(
        [
            CapEntry(quantity="LAeq", window_s=120.0, limit_dbfs=-30.0),
            CapEntry(quantity="VDV", window_s=600.0, limit_m_per_s1_75=2.0),
        ]
    )
    heard = ears(outputs, caps)
    [dose] = [ear for ear in heard if ear.power == 4]
    felt_db = np.linspace(-30.0, 10.0, 600 * 10)
    energy = np.full((len(heard), len(felt_db)), 10**-6.0 * HOP_FRAMES)
    energy[heard.index(dose)] = 10 ** (felt_db / 5) * HOP_FRAMES
    swell = of_energy(heard, energy)
    assert minute_levels_db(swell, dose.key)[0] == pytest.approx(-28.0, abs=0.7)
    [found] = shape([("felt", swell)], 600.0, caps, outputs).values()
    assert found.knots_db[0] > -1.0
    assert found.knots_db[-1] < -4.0
    halved = reshaped(swell, GainCurve((-6.0206,)))
    assert halved.energy[heard.index(dose)] == pytest.approx(energy[heard.index(dose)] / 16.0, rel=1e-4)
    assert halved.energy[0] == pytest.approx(energy[0] / 4.0, rel=1e-4)


def test_what_keeps_the_caps_is_not_shaped() -> None:
    (found,) = shape([("quiet", swelling(5, -60.0, -40.0))], 600.0, CAPS, OUTPUTS).values()
    assert max(np.abs(found.knots_db)) < 0.01


def test_the_gain_follows_the_knots_whatever_the_block() -> None:
    moved = GainCurve((0.0, -3.0, -6.0))
    whole = moved.gains(0, 3 * 60 * 48_000)
    assert whole[90 * 48_000] == pytest.approx(exact.gain_from_db(-3.0), rel=1e-6)
    assert np.array_equal(whole[1_000_000:1_012_345], moved.gains(1_000_000, 12_345))
    assert len(moved.gains(5, 0)) == 0
    assert np.all(GainCurve(()).gains(90 * 48_000, 9_600) == 1.0)


def test_a_falling_gain_is_never_counted_before_the_sound_that_it_lowers_arrives() -> None:
    """Half a second of delay_ms, and as much again on the longer way: a burst counts for a second."""
    caps = expand(
        [CapEntry(quantity="LAeq", window_s=2.0, limit_dbfs=-30.0), CapEntry(quantity="LCpeak", limit_db=99.0)]
    )
    known = Calibration(played_dbfs=-30.0, read_dba=70.0, read_dbc=72.0, on=date(2026, 3, 2))
    outputs = {
        "near": Output(device_channel=1, calibration=known, delay_ms=500.0),
        "far": Output(device_channel=2, calibration=known),
    }
    falling, frames = GainCurve((0.0, -3.0)), 80 * 48_000
    burst = np.zeros((2, frames))
    burst[:, 40 * 48_000 : 40 * 48_000 + 480] = 0.3 * np.random.default_rng(1).standard_normal((2, 480))
    counted = reshaped(profile([burst], outputs, caps), falling)
    lowered = profile([burst * falling.gains(0, frames)], outputs, caps)
    for found, least in ((counted.energy, lowered.energy), (counted.peak, lowered.peak)):
        loud = least > 0.1 * np.max(least, axis=1, keepdims=True)
        assert np.all(found[loud] >= (1.0 - 1e-9) * least[loud])


def test_a_shaped_performance_keeps_its_caps_without_governor_or_limiter() -> None:
    # A minute of noise that swells by 40 dB, under a cap over 2 s, played hop by hop as the engine plays it.
    caps = expand([CapEntry(quantity="LAeq", window_s=2.0, limit_dbfs=-30.0)])
    outputs = {"left": Output(device_channel=1, delay_ms=300.0)}
    frames = 150 * 48_000
    noise = np.random.default_rng(1).standard_normal((1, frames)) * np.geomspace(0.002, 0.2, frames)
    known = {"loud": profile([noise], outputs, caps)}
    found = planned(known, repeated(["loud"], 5.0), 5.0, caps, outputs, "shaped").of("loud")
    assert min(found.knots_db) < -1.0
    stage, shape_of = CapStage(outputs, caps), GainCurve(found.knots_db)
    nearest = -np.inf
    for start in range(0, frames, HOP_FRAMES):
        block = noise[:, start : start + HOP_FRAMES] * shape_of.gains(start, HOP_FRAMES)
        stage.process(block * exact.gain_from_db(found.gain_db))
        reading = stage.reading()
        assert reading.governor_db == 0.0
        assert reading.limiter_db == 0.0
        nearest = max(nearest, -reading.caps[0].headroom_db)
    assert -1.0 < nearest <= 0.0
