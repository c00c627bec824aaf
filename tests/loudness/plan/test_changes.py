"""What is told of the changes against the mapping is what plan, trim and the band of an output do."""

from __future__ import annotations

import numpy as np
import pytest

from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.changes import Changed, changes
from residue.loudness.plan.plan import LoweredAlone, PlannedPerformance
from residue.loudness.plan.profile import profile

RATE_HZ = 48_000
TIME = np.arange(10 * RATE_HZ) / RATE_HZ
OUTPUTS = {
    "left": Output(device_channel=1, subsonic_hz=20.0, trim_db=-3.0),
    "floor": Output(device_channel=2, transducer="shaker", delay_ms=30.0),
}


def test_each_output_is_told_with_gain_times_and_decibels() -> None:
    """A Butterworth of order 4 at 20 Hz takes 10 lg(1 + (20/15)^8) = 10.4 dB of 15 Hz, and 0.0 of 1 kHz."""
    audible, low = (0.1 * np.sin(2 * np.pi * hz * TIME) for hz in (1000.0, 15.0))
    sound = np.stack([np.concatenate([audible, audible, low, low, 0.0 * low]), np.tile(audible, 5)])
    planned = PlannedPerformance("first", -2.0, "", (), alone=(LoweredAlone(("floor",), -4.0, "a cap"),))
    found = changes(profile([sound], OUTPUTS, ()), planned, OUTPUTS)
    left, floor = found["left"], found["floor"]
    assert (left.throughout_db, floor.throughout_db) == (-5.0, -6.0)
    assert left.course_db[10] == pytest.approx(-5.0, abs=0.02)
    assert left.course_db[30] == pytest.approx(-5.0 - 10.41, abs=0.1)
    assert np.isnan(left.course_db[47])
    assert np.nanmax(np.abs(floor.course_db[5:] + 6.0)) < 0.01
    assert left.words is not None
    assert left.words.startswith("left: -5.0 dB throughout against the mapping; beside that up to -0.6 dB from 0:00.0")
    assert left.words.endswith(", up to -10.4 dB from 0:18.0 to 0:42.0.")
    assert left.band_in_words == "20 Hz to 20 kHz"


def test_what_is_not_changed_is_not_told() -> None:
    outputs = {"left": Output(device_channel=1)}
    sound = 0.02 * np.sin(2 * np.pi * 300.0 * TIME)[np.newaxis] * np.minimum(1.0, TIME / 5.0)
    planned = PlannedPerformance("first", 0.0, "", ())
    assert changes(profile([sound], outputs, ()), planned, outputs)["left"].words is None


@pytest.mark.parametrize(
    ("lowered_s", "told"),
    [
        ((), ", and nothing else."),
        ((1,), "; beside that up to -6.0 dB from 0:01.0 to 0:02.0."),
        ((1, 3, 5, 7), "from 0:05.0 to 0:06.0, less in 1 more stretch."),
        ((1, 3, 5, 7, 9), "from 0:05.0 to 0:06.0, less in 2 more stretches."),
    ],
)
def test_the_strongest_three_changes_are_told_in_order_of_time(lowered_s: tuple[int, ...], told: str) -> None:
    course_db = np.full(12, -3.0)
    for second in lowered_s:
        course_db[second] -= 6.0 - 0.5 * (second // 2)
    one = Changed(output="left", throughout_db=-3.0, course_db=course_db, protection_hz=20.0)
    assert one.words is not None
    assert one.words.startswith("left: -3.0 dB throughout against the mapping")
    assert one.words.endswith(told)
