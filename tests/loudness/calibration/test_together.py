"""All outputs at once, against the sum of the single readings."""

from dataclasses import replace
from math import log10

import numpy as np
import pytest

from residue.loudness.calibration import calibration_procedure as procedure
from residue.loudness.calibration.calibration_procedure import CalibrationStep, MeterReading
from residue.loudness.calibration.calibration_signals import pink_noise
from residue.loudness.calibration.together import all_together, told_of
from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.outputs.outputs import Output

OUTPUTS = {"left": Output(device_channel=1), "right": Output(device_channel=2)}


def measured(limit_db: float, dba: float = 60.0, dbc: float = 62.0, quiet_db: float = 20.0) -> list[CalibrationStep]:
    caps = expand([CapEntry(quantity="LAeq", window_s=60.0, limit_db=limit_db)])
    quiet = MeterReading(quiet_db, quiet_db)
    steps = []
    for name in OUTPUTS:
        begun = procedure.begin(name, OUTPUTS, caps, pink_noise("speaker"), quiet)
        steps.append(procedure.with_reading(replace(begun, played_dbfs=-60.0), MeterReading(dba, dbc)))
    return steps


def test_two_equal_sounds_that_have_nothing_to_do_with_each_other_are_three_decibels_more() -> None:
    """10 lg 2 = 3.01 dB; a handbook rule. The background of 50 dB is taken out of each and counted once."""
    together = all_together(measured(100.0))
    assert together.expected == MeterReading(63.0, 65.0)
    assert {name: level for name, (_, level) in together.playing.items()} == {"left": -60.0, "right": -60.0}
    over_background = all_together(measured(100.0, quiet_db=50.0)).expected.dba
    assert over_background == pytest.approx(10 * log10(2 * (10**6 - 10**5) + 10**5), abs=0.05)


def test_their_noises_are_not_alike() -> None:
    """Noise of 10 kHz bandwidth over 20 s correlates by less than a hundredth by chance; alike it would add 6 dB."""
    left, right = (noise.loop for noise, _ in all_together(measured(100.0)).playing.values())
    assert abs(float(np.mean(left * right))) < 0.05
    assert 10 * log10(float(np.mean((left + right) ** 2))) == pytest.approx(3.0, abs=0.2)


def test_where_the_sum_would_come_near_a_cap_all_are_lower_and_so_is_the_sum() -> None:
    """Alike they would be 6 dB more than the 62 of each: 68 dB(A), and 6 dB below the cap of 70 are 64."""
    together = all_together(measured(70.0, dba=62.0, dbc=64.0))
    levels = [level for _, level in together.playing.values()]
    assert levels == [pytest.approx(-65.0, abs=1.0)] * 2
    assert together.expected.dba == pytest.approx(65.0 + 60.0 + levels[0], abs=0.1)


@pytest.mark.parametrize(
    ("reading", "said"),
    [
        (MeterReading(63.4, 65.9), "They agree within 1.5 dB."),
        (MeterReading(66.0, 68.0), ": +3.0 dB. A knob was turned up"),
        (MeterReading(63.0, 61.0), ": -4.0 dB. An amplifier gives less when all play"),
    ],
)
def test_a_difference_is_told_with_what_it_may_mean(reading: MeterReading, said: str) -> None:
    assert said in told_of(all_together(measured(100.0)), reading)
