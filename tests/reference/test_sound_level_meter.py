"""Time weightings, exposure levels, C-weighted peaks and G weighting against IEC 61672-1:2013 and ISO 7196:1995."""

from math import log10, pi

import numpy as np
import pytest
from numpy.typing import NDArray

from residue.dsp.filters import SosFilter
from residue.loudness.meters.levels import db_of_magnitude, db_of_power
from residue.loudness.meters.time_weighting import GRAIN_FRAMES, TimeWeightedMeter, grain_powers
from residue.loudness.meters.weightings import Weighting, power_gain, sections

Floats = NDArray[np.float64]
RATE_HZ = 48_000
FULL_SCALE_SINE_DB = 10 * log10(0.5)


def burst(duration_s: float, frequency_hz: float = 4000.0, after_s: float = 1.0) -> Floats:
    time = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    return np.concatenate([np.sin(2 * pi * frequency_hz * time), np.zeros(round(after_s * RATE_HZ))])


def a_weighted(signal: Floats) -> Floats:
    return SosFilter(sections(Weighting.A, RATE_HZ))(signal)


STEADY_DB = FULL_SCALE_SINE_DB + 10 * log10(power_gain(sections(Weighting.A, RATE_HZ), 4000.0, RATE_HZ))

# IEC 61672-1:2013, Table 4: 4 kHz tonebursts, ms: LAFmax - LA, LAE - LA, class 1 limits up and down.
FAST_BURSTS = [
    (1000, 0.0, 0.0, 0.5, 0.5), (500, -0.1, -3.0, 0.5, 0.5), (200, -1.0, -7.0, 0.5, 0.5), (100, -2.6, -10.0, 1.0, 1.0),
    (50, -4.8, -13.0, 1.0, 1.0), (20, -8.3, -17.0, 1.0, 1.0), (10, -11.1, -20.0, 1.0, 1.0), (5, -14.1, -23.0, 1.0, 1.0),
    (2, -18.0, -27.0, 1.0, 1.5), (1, -21.0, -30.0, 1.0, 2.0), (0.5, -24.0, -33.0, 1.0, 2.5),
    (0.25, -27.0, -36.0, 1.0, 3.0),
]  # fmt: skip
SLOW_BURSTS = [
    (1000, -2.0, 0.5, 0.5), (500, -4.1, 0.5, 0.5), (200, -7.4, 0.5, 0.5), (100, -10.2, 1.0, 1.0), (50, -13.1, 1.0, 1.0),
    (20, -17.0, 1.0, 1.5), (10, -20.0, 1.0, 2.0), (5, -23.0, 1.0, 2.5), (2, -27.0, 1.0, 3.0),
]  # fmt: skip


def maximum_db(time_weighting: str, signal: Floats) -> float:
    meter, highest = TimeWeightedMeter(time_weighting), 0.0
    whole = len(signal) // GRAIN_FRAMES * GRAIN_FRAMES
    for powers in np.array_split(grain_powers(a_weighted(signal)[np.newaxis, :whole]), 7, axis=1):
        meter(powers)
        highest = max(highest, float(meter.highest[0]))
    return db_of_power(highest)


@pytest.mark.parametrize(("ms", "fast", "exposure", "up", "down"), FAST_BURSTS, ids=[f"{b[0]} ms" for b in FAST_BURSTS])
def test_toneburst_response_of_f_and_of_the_exposure_level(
    ms: float, fast: float, exposure: float, up: float, down: float
) -> None:
    signal = burst(ms / 1000)
    assert -down <= maximum_db("F", signal) - STEADY_DB - fast <= up
    whole_db = db_of_power(float(np.sum(a_weighted(signal) ** 2)) / RATE_HZ)  # as if within one second
    assert -down <= whole_db - STEADY_DB - exposure <= up


@pytest.mark.parametrize(("ms", "slow", "up", "down"), SLOW_BURSTS, ids=[f"{b[0]} ms" for b in SLOW_BURSTS])
def test_toneburst_response_of_s(ms: float, slow: float, up: float, down: float) -> None:
    assert -down <= maximum_db("S", burst(ms / 1000)) - STEADY_DB - slow <= up


@pytest.mark.parametrize(
    ("time_weighting", "lowest", "highest"),
    [("F", 31.0, 38.5), ("S", 3.6, 5.1)],  # IEC 61672-1:2013, 5.8.2, in dB/s: from memory, unconfirmed
)
def test_the_level_falls_as_fast_as_it_should(time_weighting: str, lowest: float, highest: float) -> None:
    meter = TimeWeightedMeter(time_weighting)
    meter(np.ones((1, 5000)))
    (before,) = meter.power
    meter(np.zeros((1, 500)))
    assert lowest <= -10 * log10(meter.power[0] / before) / 0.5 <= highest


# IEC 61672-1:2013, Table 5: LCpeak - LC, class 1 limits.
@pytest.mark.parametrize(
    ("frequency_hz", "cycles", "sign", "expected", "tolerance"),
    [
        pytest.param(31.5, 1.0, 1, 2.5, 2.0, id="one cycle of 31.5 Hz"),
        pytest.param(500.0, 1.0, 1, 3.5, 1.0, id="one cycle of 500 Hz"),
        pytest.param(8000.0, 1.0, 1, 3.4, 2.0, id="one cycle of 8 kHz"),
        pytest.param(500.0, 0.5, 1, 2.4, 1.0, id="positive half cycle of 500 Hz"),
        pytest.param(500.0, 0.5, -1, 2.4, 1.0, id="negative half cycle of 500 Hz"),
    ],
)
def test_c_weighted_peak(frequency_hz: float, cycles: float, sign: int, expected: float, tolerance: float) -> None:
    weighted = SosFilter(sections(Weighting.C, RATE_HZ))(sign * burst(cycles / frequency_hz, frequency_hz, 0.2))
    gain_db = 10 * log10(power_gain(sections(Weighting.C, RATE_HZ), frequency_hz, RATE_HZ))
    peak_db = db_of_magnitude(float(np.max(np.abs(weighted))))
    assert peak_db - (FULL_SCALE_SINE_DB + gain_db) == pytest.approx(expected, abs=tolerance)


# ISO 7196:1995, Table 2, in dB; Annex A.3: +-1 dB from 1 to 20 Hz, +1 dB and no lower limit outside.
G_DB = {
    0.25: -88.0, 0.315: -80.0, 0.4: -72.1, 0.5: -64.3, 0.63: -56.6, 0.8: -49.5, 1: -43.0, 1.25: -37.5, 1.6: -32.6,
    2: -28.3, 2.5: -24.1, 3.15: -20.0, 4: -16.0, 5: -12.0, 6.3: -8.0, 8: -4.0, 10: 0.0, 12.5: 4.0, 16: 7.7, 20: 9.0,
    25: 3.7, 31.5: -4.0, 40: -12.0, 50: -20.0, 63: -28.0, 80: -36.0, 100: -44.0, 125: -52.0, 160: -60.0, 200: -68.0,
    250: -76.0, 315: -84.0,
}  # fmt: skip


@pytest.mark.parametrize("nominal_hz", G_DB)
def test_g_weighting(nominal_hz: float) -> None:
    true_hz = 10 ** (round(10 * log10(nominal_hz)) / 10)
    deviation_db = 10 * log10(power_gain(sections(Weighting.G, RATE_HZ), true_hz, RATE_HZ)) - G_DB[nominal_hz]
    assert deviation_db <= 1.0
    assert deviation_db >= (-1.0 if 1 <= nominal_hz <= 20 else -1.5)
