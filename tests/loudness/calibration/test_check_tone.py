from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from scipy import signal

from residue.loudness.calibration.check_tone import LOUDEST_DBFS, TONE_DBC, UNCALIBRATED_DBFS, check_tone
from residue.loudness.outputs.calibration import Calibration
from residue.loudness.outputs.outputs import Output

RATE_HZ = 48_000
READ = Calibration(played_dbfs=-20.0, read_dba=72.4, read_dbc=74.0, on=date(2026, 3, 2))
OUTPUTS = {
    "left": Output(device_channel=1, calibration=READ),
    "right": Output(device_channel=2),
    "floor": Output(device_channel=3, transducer="shaker", calibration=READ),
}


def pulses(tone: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> int:
    """How many separate sounds somebody hears: stretches that 0.1 s of silence part, by scipy alone."""
    envelope = signal.fftconvolve(np.abs(tone), np.ones(RATE_HZ // 10) / (RATE_HZ // 10), "same")
    loud = envelope > envelope.max() / 4
    return int(np.count_nonzero(np.diff(loud.astype(int)) == 1) + loud[0])


@pytest.mark.parametrize(("name", "number"), [("left", 1), ("right", 2), ("floor", 3)])
def test_each_output_counts_its_own_number_and_the_others_are_silent(name: str, number: int) -> None:
    tone = check_tone(OUTPUTS, name)
    assert pulses(tone[number - 1]) == number
    assert not np.delete(tone, number - 1, axis=0).any()


@pytest.mark.parametrize("name", ["left", "floor"])
def test_it_is_as_loud_at_the_place_as_it_is_meant_to_be(name: str) -> None:
    """By hand: the C weighting is within 1.4 dB of 0 at 440 and 50 Hz (IEC 61672-1, table 3), so full scale is about
    94 dB(C) by this reading, apart from what the noise that was read lacks."""
    pulse = check_tone(OUTPUTS, name).sum(axis=0)
    loud = pulse[np.abs(pulse) > np.abs(pulse).max() / 50]
    level_dbfs = 10 * np.log10(np.mean(loud**2))
    assert level_dbfs + 94.0 == pytest.approx(TONE_DBC[OUTPUTS[name].transducer], abs=2.5)


def test_where_nobody_knows_how_loud_it_is_it_is_very_quiet() -> None:
    assert 20 * np.log10(np.abs(check_tone(OUTPUTS, "right")).max()) < UNCALIBRATED_DBFS + 3.1


def test_a_weak_output_is_not_driven_to_its_limit() -> None:
    weak = {
        "left": Output(
            device_channel=1, calibration=Calibration(played_dbfs=-3.0, read_dba=38, read_dbc=40, on=READ.on)
        )
    }
    assert 20 * np.log10(np.abs(check_tone(weak, "left")).max()) < LOUDEST_DBFS + 3.1
