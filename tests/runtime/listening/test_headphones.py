"""Headphones: whatever a piece gives, the level in the wire stays low, and it comes up slowly."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from residue.loudness.stage.stage import CapStage
from residue.runtime.listening.headphones import CAPS, OUTPUTS, mixed, places

Floats = NDArray[np.float64]
SECOND = 48_000


def sent(sound: Floats) -> Floats:
    """What leaves the cap stage of headphones, (2, frames), of a sound on both ears."""
    stage = CapStage(OUTPUTS, CAPS)
    stage.begin_programme(planned=False)
    blocks = [stage.process(np.vstack([part, part])).frames for part in np.split(sound, len(sound) // 4_800)]
    return np.concatenate(blocks, axis=1)


def loudest_second_db(sound: Floats) -> float:
    """The mean square over the loudest second at any offset, in dB."""
    total = np.concatenate([[0.0], np.cumsum(sound * sound)])
    return float(10.0 * np.log10(np.max(total[SECOND:] - total[:-SECOND]) / SECOND))


@pytest.mark.parametrize(
    ("hz", "most_dbfs"),
    [
        pytest.param(1_000.0, -30.0, id="at 1 kHz, where A weighs nothing"),
        pytest.param(31.5, -17.0, id="at 31.5 Hz, where C takes away 3.0 dB"),
    ],
)
def test_no_second_of_a_tone_is_above_the_cap(hz: float, most_dbfs: float) -> None:
    """IEC 61672-1, table 3: A is 0.0 dB and C is 0.0 dB at 1 kHz; C is -3.0 dB at 31.5 Hz, and A is -39.4 dB."""
    tone = np.sin(2.0 * np.pi * hz * np.arange(8 * SECOND) / SECOND)
    given = sent(tone)
    assert loudest_second_db(given[0]) < most_dbfs + 0.1
    assert loudest_second_db(given[0]) > most_dbfs - 3.0
    assert np.array_equal(given[0], given[1])


def test_noise_and_a_bang_stay_below_the_ceiling() -> None:
    random = np.random.default_rng(1)
    sound = 0.001 * random.standard_normal(6 * SECOND)
    sound[3 * SECOND :] = random.standard_normal(3 * SECOND)
    sound[2 * SECOND] = 1.0
    given = sent(sound)
    assert np.abs(given).max() <= 10.0 ** (-10.0 / 20.0)
    assert loudest_second_db(given[0]) < -25.0  # white noise is 2 to 3 dB lower by A than it is unweighted


def test_it_never_rises_faster_from_silence_than_20_db_a_second() -> None:
    given = sent(np.sin(2.0 * np.pi * 1_000.0 * np.arange(4 * SECOND) / SECOND))[0]
    levels = [10.0 * np.log10(np.mean(part * part) + 1e-20) for part in np.split(given, len(given) // 4_800)]
    heard = [level for level in levels if level > -80.0]
    assert max(np.diff(heard)) < 3.0  # 2 dB a tenth of a second, and what the beginning of a sine adds to a mean


@pytest.mark.parametrize(
    ("outputs", "sides"),
    [
        pytest.param(["left", "right", "floor"], [-1.0, 1.0, 0.0], id="sides by name, the rest in the middle"),
        pytest.param(["front_left", "Rear-Right"], [-1.0, 1.0], id="as a part of a name"),
        pytest.param(["one", "two", "three"], [-1.0, 0.0, 1.0], id="no side named: from left to right"),
        pytest.param(["one"], [0.0], id="one alone, in the middle"),
    ],
)
def test_each_output_has_its_place_with_the_same_power(outputs: list[str], sides: list[float]) -> None:
    left, right = places(outputs)
    assert np.allclose(left * left + right * right, 1.0)
    assert np.allclose(right * right - left * left, sides)


def test_both_ears_hear_the_sum_of_their_sides() -> None:
    sound = np.array([[1.0, 0.0], [0.0, 1.0], [0.5, 0.5]])
    middle = 0.5 * np.sqrt(0.5)
    assert np.allclose(mixed(["left", "right", "floor"], sound), [[1.0 + middle, middle], [middle, 1.0 + middle]])
