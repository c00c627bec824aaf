"""Tones of scales against published frequencies and ratios."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
import pytest

from residue.mapping.nodes import KINDS
from tests.mapping.single import run

MAJOR = ["1/1", "9/8", "5/4", "4/3", "3/2", "5/3", "15/8"]
"""The just major scale of five-limit intonation (Helmholtz, On the Sensations of Tone, table of the natural scale)."""


def tuned(values: list[float], **parameters: Any) -> list[float]:
    node = msgspec.convert({"input": "a", **parameters}, KINDS["tune"])
    found = run(node, {"input": np.array(values)}, 24 * len(values), [1, 30, 48])
    assert isinstance(found, np.ndarray)
    return [float(value) for value in found]


def test_equal_temperament_has_the_frequencies_of_the_tables() -> None:
    """A4 of 440 Hz is ISO 16; C4 261.626, E4 329.628, C5 523.251, A3 220 Hz: the common table of that pitch."""
    found = tuned([-12.0, -9.0, -5.0, 0.0, 3.0], degrees=list(range(12)), hysteresis=0.0)
    assert found == pytest.approx([220.0, 261.626, 329.628, 440.0, 523.251], abs=5e-4)


def test_just_ratios_are_those_that_are_written() -> None:
    found = tuned([0, 1, 2, 3, 4, 5, 6, 7, -1], ratios=MAJOR, reference_hz=240.0, hysteresis=0.0)
    assert found == pytest.approx([240.0, 270.0, 300.0, 320.0, 360.0, 400.0, 450.0, 480.0, 225.0], rel=1e-15)


def test_a_frequency_goes_to_the_tone_that_is_nearest_in_pitch() -> None:
    """Between 440 Hz and its fifth the border is their geometric mean, 538.9 Hz; 660 / 32 is the lowest above 20."""
    parameters: dict[str, Any] = {"ratios": ["1/1", "3/2"], "unit": "hz", "hysteresis": 0.0}
    assert tuned([440.0, 538.8, 538.95, 700.0, 0.0, -3.0], **parameters) == [440.0, 440.0, 660.0, 660.0, 20.625, 20.625]


def test_octaves_count_from_the_reference() -> None:
    """Seven steps of twelve are a fifth: 0.55 octaves are 6.6 steps, 0.62 are 7.44."""
    found = tuned([0.55, 0.62, 1.0, -1.0], degrees=list(range(12)), reference_hz=100.0, unit="octaves", hysteresis=0.0)
    assert found == pytest.approx([149.831, 149.831, 200.0, 50.0], abs=5e-4)


def test_other_divisions_of_the_octave() -> None:
    """A step of 19 equal ones is 63.158 cent."""
    found = tuned([1.0], degrees=list(range(19)), steps_per_octave=19, reference_hz=100.0)
    assert 1200 * np.log2(found[0] / 100.0) == pytest.approx(63.158, abs=5e-4)


def test_a_value_on_a_border_does_not_flutter() -> None:
    parameters: dict[str, Any] = {"degrees": list(range(12)), "reference_hz": 100.0}
    flutter = [0.5 + 0.04 * (-1) ** n for n in range(40)]
    assert len(set(tuned(flutter, **parameters, hysteresis=0.0))) == 2
    assert len(set(tuned(flutter, **parameters, hysteresis=0.2))) == 1
    rising = tuned([0.0, 0.59, 0.61, 0.41, 0.39], **parameters, hysteresis=0.2)
    assert rising == pytest.approx([100.0, 100.0, 105.946, 105.946, 100.0], abs=5e-4)


def test_no_tone_lies_beyond_the_bounds() -> None:
    found = tuned([-500.0, 500.0], degrees=[0], reference_hz=100.0, lowest_hz=50.0, highest_hz=400.0)
    assert found == [50.0, 400.0]


@pytest.mark.parametrize(
    ("parameters", "said"),
    [
        ({}, "either degrees or ratios"),
        ({"degrees": [0], "ratios": ["1/1"]}, "either degrees or ratios"),
        ({"degrees": [0, 12]}, "Degree 12 is not below steps_per_octave"),
        ({"degrees": [4, 0]}, "do not ascend"),
        ({"ratios": ["1/1", "5/2"]}, "outside the octave"),
        ({"ratios": ["fifth"]}, "matching regex"),
        ({"degrees": [0], "reference_hz": 100.0, "lowest_hz": 110.0, "highest_hz": 190.0}, "No tone of the scale"),
    ],
)
def test_a_scale_that_cannot_be_is_refused(parameters: dict[str, Any], said: str) -> None:
    with pytest.raises(msgspec.ValidationError, match=said):
        msgspec.convert({"input": "a", **parameters}, KINDS["tune"])
