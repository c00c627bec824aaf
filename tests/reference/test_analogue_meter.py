"""The meters that measure the promise, against the tables of the standards."""

import numpy as np
import pytest

from tests.reference.analogue_meter import RATE_HZ, analogue_db, dose, equivalent_db, power

# ISO 7196:1995, Table 2, at nominal third octaves (from memory); the true frequencies are 10^(n/10) Hz.
G_DB = {0: -43.0, 3: -28.0, 6: -16.0, 9: -4.0, 10: 0.0, 12: 7.7, 13: 9.0, 14: 3.7, 15: -4.0, 18: -28.0, 20: -44.0}
# ISO 8041-1:2017, Annex B, Tables B.8 and B.3.
BODY = {0: (0.4825, 1.011), 5: (0.8071, 0.6398), 9: (1.037, 0.2550), 12: (0.7743, 0.1266), 17: (0.2451, 0.03872)}


@pytest.mark.parametrize("n", G_DB)
def test_g(n: int) -> None:
    assert analogue_db("G", 10 ** (n / 10)) == pytest.approx(G_DB[n], abs=0.3)  # the table has whole decibels


@pytest.mark.parametrize("n", BODY)
def test_wk_and_wd(n: int) -> None:
    for name, factor in zip(("Wk", "Wd"), BODY[n], strict=True):
        assert 10 ** (analogue_db(name, 10 ** (n / 10)) / 20) == pytest.approx(factor, rel=0.005)


def test_k() -> None:
    """ITU-R BS.1770-5: a full-scale sine of 997 Hz on one channel reads -3.01 LKFS, with the constant -0.691."""
    assert analogue_db("K", 997.0) == pytest.approx(0.691, abs=0.001)


def test_a_power_is_that_of_the_equivalent_level() -> None:
    noise = np.random.default_rng(4).standard_normal(20 * RATE_HZ) * np.hanning(20 * RATE_HZ)
    for weighting in "AC":
        assert 10 * np.log10(power(noise, weighting)) == pytest.approx(equivalent_db(noise, weighting, 20.0), abs=0.001)


def test_a_dose_is_the_fourth_root_of_the_integral_of_the_fourth_power() -> None:
    """ISO 2631-1, 6.3.2: of a sine of amplitude a, a (3/8 T)^(1/4), and Wd of 1 Hz is 1.011."""
    time = np.arange(20 * RATE_HZ) / RATE_HZ
    sine = 2.0 * np.sin(2 * np.pi * time) * np.minimum(1.0, np.minimum(time, 20.0 - time))
    assert dose(sine, "Wd", 10.0) == pytest.approx(1.011 * 2.0 * (3 / 8 * 10.0) ** 0.25, rel=0.01)
