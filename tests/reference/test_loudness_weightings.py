"""Weightings against the tables that define them."""

import math

import numpy as np
import pytest

from residue.loudness.caps.ears import MARGIN_DB
from residue.loudness.meters import weightings
from residue.loudness.meters.weightings import Weighting, power_gain, sections
from tests.reference.analogue_meter import analogue_db


def gain_db(weighting: Weighting, frequency_hz: float, rate_hz: float) -> float:
    return 10.0 * math.log10(power_gain(sections(weighting, rate_hz), frequency_hz, rate_hz))


# ITU-R BS.1770-5 (11/2023), Annex 1, Tables 1 and 2.
BS_1770_TABLES = [
    [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585],
    [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621],
]


def test_k_at_48_khz_is_what_bs_1770_prints() -> None:
    assert sections(Weighting.K, 48_000).tolist() == BS_1770_TABLES


# Computed from the printed coefficients, independently of this project; tolerance 0.01 dB.
K_RESPONSE_DB = {
    10: -23.786, 20: -13.275, 25: -10.393, 31.5: -7.790, 40: -5.567, 63: -2.664, 100: -1.133, 200: -0.265,
    500: 0.042, 997: 0.691, 1000: 0.698, 2000: 3.071, 4000: 3.968, 8000: 4.039, 10000: 4.042,
}  # fmt: skip


@pytest.mark.parametrize("rate_hz", [32_000, 44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("frequency_hz", K_RESPONSE_DB)
def test_k_has_the_same_response_at_every_rate(frequency_hz: float, rate_hz: int) -> None:
    assert gain_db(Weighting.K, frequency_hz, rate_hz) == pytest.approx(K_RESPONSE_DB[frequency_hz], abs=0.015)


def test_the_pole_frequencies_of_k_follow_from_its_table() -> None:
    for pole_hz, (_, _, _, a1, a2) in weightings._K_TABLES:
        derived_hz = 48_000 / math.pi * math.atan(math.sqrt((1 + a1 + a2) / (1 - a1 + a2)))
        assert pole_hz == pytest.approx(derived_hz, rel=1e-12)


# IEC 61672-1:2013, Table 3: A and C in dB and the class 1 acceptance limits, at the exact frequencies 1000 10^(n/10).
INF = math.inf
IEC_61672_TABLE_3 = [
    # n, A, C, up, low
    (-20, -70.4, -14.3, 3.0, INF), (-19, -63.4, -11.2, 2.5, INF), (-18, -56.7, -8.5, 2.0, 4.0),
    (-17, -50.5, -6.2, 2.0, 2.0), (-16, -44.7, -4.4, 2.0, 1.5), (-15, -39.4, -3.0, 1.5, 1.5),
    (-14, -34.6, -2.0, 1.0, 1.0), (-13, -30.2, -1.3, 1.0, 1.0), (-12, -26.2, -0.8, 1.0, 1.0),
    (-11, -22.5, -0.5, 1.0, 1.0), (-10, -19.1, -0.3, 1.0, 1.0), (-9, -16.1, -0.2, 1.0, 1.0),
    (-8, -13.4, -0.1, 1.0, 1.0), (-7, -10.9, 0.0, 1.0, 1.0), (-6, -8.6, 0.0, 1.0, 1.0),
    (-5, -6.6, 0.0, 1.0, 1.0), (-4, -4.8, 0.0, 1.0, 1.0), (-3, -3.2, 0.0, 1.0, 1.0),
    (-2, -1.9, 0.0, 1.0, 1.0), (-1, -0.8, 0.0, 1.0, 1.0), (0, 0.0, 0.0, 0.7, 0.7),
    (1, 0.6, 0.0, 1.0, 1.0), (2, 1.0, -0.1, 1.0, 1.0), (3, 1.2, -0.2, 1.0, 1.0),
    (4, 1.3, -0.3, 1.0, 1.0), (5, 1.2, -0.5, 1.0, 1.0), (6, 1.0, -0.8, 1.0, 1.0),
    (7, 0.5, -1.3, 1.5, 1.5), (8, -0.1, -2.0, 1.5, 2.0), (9, -1.1, -3.0, 1.5, 2.5),
    (10, -2.5, -4.4, 2.0, 3.0), (11, -4.3, -6.2, 2.0, 5.0), (12, -6.6, -8.5, 2.5, 16.0),
    (13, -9.3, -11.2, 3.0, INF),
]  # fmt: skip
_FREQUENCY_IDS = [f"{1000 * 10 ** (row[0] / 10):.4g}Hz" for row in IEC_61672_TABLE_3]


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize(("n", "a_db", "c_db", "up", "low"), IEC_61672_TABLE_3, ids=_FREQUENCY_IDS)
def test_a_and_c_lie_within_class_1(n: int, a_db: float, c_db: float, up: float, low: float, rate_hz: int) -> None:
    frequency_hz = 1000 * 10 ** (n / 10)
    for weighting, nominal_db in ((Weighting.A, a_db), (Weighting.C, c_db)):
        assert -low <= gain_db(weighting, frequency_hz, rate_hz) - nominal_db <= up


@pytest.mark.parametrize(("n", "a_db", "c_db", "up", "low"), IEC_61672_TABLE_3, ids=_FREQUENCY_IDS)
def test_a_and_c_at_48_khz_lie_far_closer_than_the_bilinear_transform(
    n: int, a_db: float, c_db: float, up: float, low: float
) -> None:
    # The plain bilinear transform is 2.7 dB off at 12.5 kHz and 6.2 dB at 16 kHz; the printed values are rounded.
    tolerance_db = 0.15
    assert gain_db(Weighting.A, 1000 * 10 ** (n / 10), 48_000) == pytest.approx(a_db, abs=tolerance_db)
    assert gain_db(Weighting.C, 1000 * 10 ** (n / 10), 48_000) == pytest.approx(c_db, abs=tolerance_db)
    assert up > 0
    assert low > 0


# The formulas of IEC 61672-1:2013, Annex E. A cap adds what a weighting may read too low.
@pytest.mark.parametrize("rate_hz", [8_000, 16_000, 22_050, 32_000, 44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("weighting", [Weighting.A, Weighting.C])
def test_a_and_c_read_nowhere_too_low_by_more_than_a_cap_adds(weighting: Weighting, rate_hz: int) -> None:
    for hz in np.geomspace(10.0, min(20_000.0, 0.49 * rate_hz), 200):
        difference = gain_db(weighting, float(hz), rate_hz) - analogue_db(str(weighting), float(hz))
        assert difference <= 0.25
        if rate_hz >= 44_100:  # what the stage works at, and what is measured most
            assert -MARGIN_DB[weighting] <= difference <= 0.08


# ISO 2631-1:1997, 6.4 and Annex A, by its formula; beyond 400 Hz it gives no values.
@pytest.mark.parametrize("weighting", [Weighting.WK, Weighting.WD])
def test_wk_and_wd_read_nowhere_too_low_by_more_than_a_cap_adds(weighting: Weighting) -> None:
    for hz in np.geomspace(0.5, 500.0, 200):
        difference = gain_db(weighting, float(hz), 48_000) - analogue_db(str(weighting), float(hz))
        assert -MARGIN_DB[weighting] <= difference <= 0.001


def test_the_poles_of_a_and_c_follow_from_the_definition() -> None:
    # IEC 61672-1:2013, Annex E: f_r = 1000, f_L = 10^1.5, f_H = 10^3.9, f_A = 10^2.45, D^2 = 1/2.
    reference, low, high, a = 1000.0, 10**1.5, 10**3.9, 10**2.45
    d = math.sqrt(0.5)
    b = (reference**2 + low**2 * high**2 / reference**2 - d * (low**2 + high**2)) / (1 - d)
    root = math.sqrt(b * b - 4 * low**2 * high**2)
    expected = (
        math.sqrt((-b - root) / 2),
        (3 - math.sqrt(5)) / 2 * a,
        (3 + math.sqrt(5)) / 2 * a,
        math.sqrt((-b + root) / 2),
    )
    found = (weightings._C_LOW_HZ, weightings._A_LOW_HZ, weightings._A_MIDDLE_HZ, weightings._C_HIGH_HZ)
    assert found == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("weighting", [Weighting.A, Weighting.C])
@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 192_000])
def test_a_and_c_are_0_db_at_1_khz(weighting: Weighting, rate_hz: int) -> None:
    assert gain_db(weighting, 1000.0, rate_hz) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("weighting", Weighting)
def test_power_gain_is_the_response_of_the_sections(weighting: Weighting) -> None:
    from scipy import signal

    frequencies_hz = np.array([30.0, 100.0, 1000.0, 10_000.0])
    _, response = signal.freqz_sos(sections(weighting, 48_000), frequencies_hz, fs=48_000)
    found = [power_gain(sections(weighting, 48_000), float(hz), 48_000) for hz in frequencies_hz]
    assert found == pytest.approx((np.abs(response) ** 2).tolist(), rel=1e-8)
