"""A gain that moves, for houses that want it."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.dsp import exact
from residue.loudness.arc import (
    SLOPE_DB_PER_MINUTE,
    Shape,
    keeps_order,
    lowered_above,
    minute_levels_db,
    reshaped,
    shape,
)
from residue.loudness.caps import CapEntry, expand
from residue.loudness.ears import ears
from residue.loudness.hops import HOP_FRAMES
from residue.loudness.outputs import Output
from residue.loudness.plan import plan
from residue.loudness.profile import LevelProfile

OUTPUTS = {"left": Output(device_channel=1)}
CAPS = expand([CapEntry(quantity="LAeq", window_s=120.0, limit_dbfs=-30.0)])
KEY = "A at place, dBFS"


def swelling(minutes: int, first_db: float, last_db: float) -> LevelProfile:
    """A profile that rises evenly, the same at every ear."""
    heard = ears(OUTPUTS, CAPS)
    levels_db = np.linspace(first_db, last_db, 600 * minutes)
    energy = np.tile(10 ** (levels_db / 10) * HOP_FRAMES, (len(heard), 1))
    return LevelProfile(heard, energy, np.zeros_like(energy), np.array([0.01]))


@given(st.lists(st.floats(-80.0, 0.0), min_size=1, max_size=30), st.floats(-80.0, 0.0))
def test_the_gain_moves_no_faster_than_stated_and_never_up(levels: list[float], threshold_db: float) -> None:
    gains_db = lowered_above(np.array(levels), threshold_db)
    assert np.all(gains_db <= 0.0)
    assert np.all(np.abs(np.diff(gains_db)) <= SLOPE_DB_PER_MINUTE + 1e-9)


def test_a_shaped_arc_lowers_the_climax_and_leaves_the_beginning() -> None:
    profile = swelling(10, -50.0, -20.0)
    (found,) = shape([("loud", profile)], 600.0, CAPS, OUTPUTS).values()
    assert found.knots_db[0] > -1.0
    assert found.knots_db[-1] < -4.0
    assert keeps_order(minute_levels_db(profile, KEY), np.array(found.knots_db))
    whole = plan([("loud", profile)], 600.0, CAPS, OUTPUTS).gain_db("loud")
    after = plan([("loud", reshaped(profile, found))], 600.0, CAPS, OUTPUTS).gain_db("loud")
    assert after > whole + 3.0  # what is left to lower as a whole
    assert "its loudest minute, the 10., is lowered by" in found.words


def test_what_keeps_the_caps_is_not_shaped() -> None:
    (found,) = shape([("quiet", swelling(5, -60.0, -40.0))], 600.0, CAPS, OUTPUTS).values()
    assert max(np.abs(found.knots_db)) < 0.01


def test_the_gain_follows_the_knots_whatever_the_block() -> None:
    moved = Shape((0.0, -3.0, -6.0))
    whole = moved.gains(0, 3 * 60 * 48_000)
    assert whole[90 * 48_000] == pytest.approx(exact.gain_from_db(-3.0), rel=1e-6)
    assert np.array_equal(whole[1_000_000:1_012_345], moved.gains(1_000_000, 12_345))
    assert len(moved.gains(5, 0)) == 0
