"""Vibration of the whole body against ISO 8041-1:2017, ISO 2631-1:1997 and Directive 2002/44/EC."""

from math import pi

import numpy as np
import pytest

from residue.loudness.caps.quantities import QUANTITIES
from residue.loudness.caps.rules import RULES
from residue.loudness.meters.vibration import (
    body_sections,
    combined_vdv,
    daily_vibration,
    estimated_vdv,
    vibration,
)
from residue.loudness.meters.weightings import power_gain, sections

RATE_HZ = 2000

# ISO 8041-1:2017, Annex B, Tables B.8 and B.3, at the true centres 10^(n/10) Hz.
FACTORS = {
    -3: (0.4188, 0.8540), 0: (0.4825, 1.011), 3: (0.5308, 0.8913), 5: (0.8071, 0.6398), 6: (0.9648, 0.5143),
    7: (1.039, 0.4081), 8: (1.054, 0.3226), 9: (1.037, 0.2550), 10: (0.9884, 0.2017), 12: (0.7743, 0.1266),
    14: (0.5103, 0.07958), 15: (0.4031, 0.06299), 17: (0.2451, 0.03872), 19: (0.1339, 0.02130),
}  # fmt: skip


@pytest.mark.parametrize("n", FACTORS)
@pytest.mark.parametrize("rate_hz", [2000, 48_000])
def test_wk_and_wd(n: int, rate_hz: int) -> None:
    for name, factor in zip(("Wk", "Wd"), FACTORS[n], strict=True):
        found = power_gain(body_sections(name, rate_hz), 10 ** (n / 10), rate_hz) ** 0.5
        assert found == pytest.approx(factor, rel=0.01)  # a meter may be 11 % off (from memory)


# ISO 2631-1:1997, Table 3, times 1,000, at nominal third octaves (from memory); 10 Hz is left out, where 212 is printed
# and the formula of Annex A gives 202.
TABLE_3 = {
    0.5: 853, 0.63: 944, 0.8: 992, 1.0: 1011, 1.25: 1008, 1.6: 968, 2.0: 890, 2.5: 776, 3.15: 642, 4.0: 512, 5.0: 409,
    6.3: 323, 8.0: 253, 12.5: 161, 16.0: 125, 20.0: 100, 25.0: 80.0, 31.5: 63.2, 40.0: 49.4, 50.0: 38.8, 63.0: 29.5,
    80.0: 21.1,
}  # fmt: skip


@pytest.mark.parametrize("frequency_hz", TABLE_3)
def test_horizontal_vibration_is_weighted_with_wd(frequency_hz: float) -> None:
    weighting = QUANTITIES["aw horizontal"].weighting
    assert weighting is QUANTITIES["VDV horizontal"].weighting
    found = power_gain(sections(weighting, 48_000), frequency_hz, 48_000) ** 0.5
    assert 1000 * found == pytest.approx(TABLE_3[frequency_hz], rel=0.01)


# ISO 8041-1:2017, Table 8: saw-tooth bursts, 1 m/s² peak, 100 rad/s, one cycle every 10 s from 1 s on, 60 s.
@pytest.mark.parametrize(
    ("weighting", "rms", "vdv", "mtvv"), [("Wk", 0.0299, 0.323, 0.0922), ("Wd", 0.00669, 0.0779, 0.0197)]
)
def test_saw_tooth_bursts(weighting: str, rms: float, vdv: float, mtvv: float) -> None:
    rate_hz = 20_000
    record = np.zeros(60 * rate_hz)
    period = round(2 * pi / 100 * rate_hz)
    cycle = np.roll(np.linspace(-1.0, 1.0, period), period // 2)  # from 0 up to 1, then from -1 up to 0
    for start in range(1, 60, 10):
        record[start * rate_hz : start * rate_hz + period] = cycle
    found = vibration(record, weighting, rate_hz)
    assert found.rms == pytest.approx(rms, rel=0.10)
    assert found.vdv == pytest.approx(vdv, rel=0.12)
    assert found.mtvv == pytest.approx(mtvv, rel=0.10)


# Computed from the definition in Directive 2002/44/EC, Annex, Part B; the last three are printed in ISO 5349-1, 5.3,
# and ISO 5349-2, E.2.1 and E.3 (hand and arm, the same arithmetic).
@pytest.mark.parametrize(
    ("stays", "expected"),
    [
        ([(0.7, 4.0)], 0.495),
        ([(0.8, 2.0)], 0.400),
        ([(0.8, 1.0), (0.4, 3.0)], 0.374),
        ([(0.5, 8.0)], 0.5),
        ([(2.0, 1.0), (3.5, 3.0), (10.0, 0.5)], 3.4),
        ([(7.4, 2.5)], 4.1),
        ([(4.6, 2.0), (6.0, 1.0), (3.6, 2.0)], 3.6),
    ],
)
def test_daily_vibration(stays: list[tuple[float, float]], expected: float) -> None:
    assert daily_vibration(stays) == pytest.approx(expected, rel=0.015)


def test_doses_of_vibration() -> None:
    assert combined_vdv([10.0, 5.0]) == pytest.approx(10.15, abs=0.005)
    assert estimated_vdv(1.0, 3600.0) == pytest.approx(10.84, abs=0.005)


def test_the_two_pairs_of_limits_agree_with_each_other() -> None:
    # Directive 2002/44/EC, Article 3: what is allowed for eight hours, in m/s², gives its other limits, in m/s^1.75.
    for rule, dose in (("eu-vibration-action", 9.1), ("eu-vibration-limit", 21.0)):
        [daily] = RULES[rule].limits
        assert estimated_vdv(daily.limit, 8 * 3600.0) == pytest.approx(dose, rel=0.005)


def test_a_sine_has_the_dose_of_the_closed_form() -> None:
    # 8 Hz lies in the flat of Wk (1.037 at 7.94 Hz): VDV = Wk (3/8 t)^(1/4) for 1 m/s² peak.
    time = np.arange(60 * RATE_HZ) / RATE_HZ
    found = vibration(np.sin(2 * pi * 7.943 * time), "Wk", RATE_HZ)
    assert found.vdv == pytest.approx(1.037 * (3 / 8 * 60) ** 0.25, rel=0.01)
    assert found.rms == pytest.approx(1.037 / 2**0.5, rel=0.01)
