"""What is solved for is what is sent."""

from functools import partial
from math import sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.caps.ears import ear_of
from residue.loudness.caps.instants import instant_cap
from residue.loudness.caps.listeners import Hearing, Listener
from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.steering import MovingHop, Parts, gain_in_few_steps, greatest_gain

OUTPUTS = {"left": Output(device_channel=1), "right": Output(device_channel=2)}
CAPS = expand(
    [
        CapEntry(quantity="LAeq", window_s=1.0, limit_dbfs=-20.0),
        CapEntry(quantity="LAFmax", limit_dbfs=-20.0),
        CapEntry(quantity="LCpeak", limit_dbfs=-20.0),
    ]
)
EARS = tuple(dict.fromkeys(ear_of(cap, OUTPUTS) for cap in CAPS))
INSTANTS = [instant_cap(cap, EARS.index(ear_of(cap, OUTPUTS))) for cap in CAPS if not cap.quantity.windowed]


@pytest.mark.parametrize("gain", [0.0, 0.31, 1.0])
def test_a_hop_at_a_gain_is_heard_as_if_it_were_mixed_and_weighted(gain: float) -> None:
    rng = np.random.default_rng(5)
    before, fixed, moving = rng.normal(0.0, 0.3, (3, 2, HOP_FRAMES))
    listen, weightings = Listener(EARS, INSTANTS), {ear.weighting for ear in EARS}
    sent = Hearing(weightings, 2)
    sent(before, listen)
    mixed = sent.copy()(fixed + gain * moving, listen)[1]
    parts = Parts(sent.copy().weigh(fixed), Hearing(weightings, 2).weigh(moving))
    found = MovingHop(listen, parts, peaks=True)(gain, sent.memory)
    for name in ("energy", "peak", "fast"):
        assert getattr(found, name) == pytest.approx(getattr(mixed, name), rel=1e-9)


@given(st.floats(0.0, 1.5), st.floats(-3.0, 3.0), st.floats(0.01, 30.0))
def test_the_greatest_gain_is_within_and_no_smaller_gain_than_need_be(c: float, b: float, a: float) -> None:
    """Up to 0.05 of the gain may stay unused, by steering._REST_SHARE."""

    def used(gain: float) -> float:  # a norm: the length of a vector that moves along a straight line
        return sqrt(c * c + max(0.0, (a * gain + b / 2.0)) ** 2)

    found = greatest_gain(used)
    if used(0.0) > 1.0 and used(1.0) > 1.0:
        assert found == 0.0
    else:
        assert used(found) <= 1.0 + 1e-12
        assert found == 1.0 or used(min(1.0, 1.06 * found + 1e-3 / a + 1e-3)) > 0.999


def test_a_bound_that_is_nearly_reached_whatever_the_gain_leaves_what_follows_its_gain() -> None:
    """What was sent before fills nearly all of the bound: that says nothing of what the next sound may have."""

    def used(gain: float) -> float:
        return max(0.9997, 1.6 * gain)

    assert greatest_gain(used) == pytest.approx(1.0 / 1.6, rel=0.06)


def test_a_share_that_is_too_small_at_a_low_gain_does_not_end_the_search() -> None:
    """At a low gain a peak is not looked for between the samples, so a chord from there lands too high."""

    def used(gain: float) -> float:
        return 0.5 * gain if gain < 0.3 else 0.5 + 0.8 * gain

    assert greatest_gain(used) == pytest.approx(0.625, rel=0.01)


def test_the_greatest_gain_on_a_straight_line_is_its_end_whichever_way_it_rounds() -> None:
    """Out of silence, what is used grows with the gain alone: a gain of 0 would be a minute of silence."""
    for slope in map(float, np.random.default_rng(1).uniform(1.0, 30.0, 1000)):
        used = partial(_energies_of_two, slope)
        found = greatest_gain(used)
        assert 0.999 < used(found) <= 1.0


def _energies_of_two(slope: float, gain: float) -> float:
    return sqrt((0.6 * slope * gain) ** 2 + (0.8 * slope * gain) ** 2)


@given(st.floats(0.0, 1.5), st.floats(-3.0, 3.0), st.floats(0.01, 30.0), st.floats(0.0, 1.1))
def test_a_gain_in_few_steps_is_within_and_looked_for_no_more_than_eight_times(
    c: float, b: float, a: float, other: float
) -> None:
    looks = []

    def used(gain: float) -> float:  # two norms; the louder counts
        looks.append(gain)
        return max(other, sqrt(c * c + max(0.0, (a * gain + b / 2.0)) ** 2))

    found = gain_in_few_steps(used)
    assert len(looks) <= 8
    assert found == 0.0 or used(found) <= 1.0


@given(st.floats(0.0, 0.99), st.floats(1.01, 40.0))
def test_a_gain_in_few_steps_is_near_the_greatest(fixed: float, slope: float) -> None:
    """Of a norm whose parts add as powers, and of a bound that is nearly reached whatever the gain is."""
    greatest = sqrt((1.0 - fixed * fixed) / (slope * slope))
    found = gain_in_few_steps(lambda gain: sqrt(fixed * fixed + (slope * gain) ** 2))
    assert found == 1.0 if greatest >= 1.0 else 0.85 * greatest < found <= greatest
    assert gain_in_few_steps(lambda gain: max(fixed, slope * gain)) == pytest.approx(1.0 / slope, rel=0.01)
