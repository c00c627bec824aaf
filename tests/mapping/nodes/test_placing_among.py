"""A sound among outputs: the gains of the panning reach the sound, with a spread and while they move."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
import pytest
from numpy.typing import NDArray

from residue.mapping.nodes import KINDS
from residue.mapping.signals import CONTROL_RATE_HZ
from tests.mapping.single import run

Floats = NDArray[np.float64]
PAIR = [{"azimuth_degrees": 30.0}, {"azimuth_degrees": -30.0}]


def placed(outputs: list[dict[str, float]], controls: Any = None, **parameters: Any) -> Floats:
    """What the outputs get of a constant of 1, for a tenth of a second."""
    node = msgspec.convert({"input": "a", "outputs": outputs, **parameters}, KINDS["place_among"])
    found = run(node, {"input": np.ones((1, 4_800))}, 4_800, [7, 1_000], controls)
    assert isinstance(found, np.ndarray)
    return found


def test_a_still_place_has_the_gains_of_the_law_of_tangents() -> None:
    """Of a pair at 30 degrees a sound at 15: tan 15 / tan 30 = 0.4641, so gains of 0.939 and 0.344."""
    left, right = placed(PAIR, azimuth_degrees=15.0)
    assert (left[0], right[0]) == pytest.approx((0.9391, 0.3437), abs=1e-4)
    assert np.ptp(left) == np.ptp(right) == 0.0


def test_a_full_spread_is_alike_everywhere_and_half_of_it_keeps_the_power() -> None:
    for spread in (0.5, 1.0):
        found = placed([*PAIR, {"azimuth_degrees": 180.0}], azimuth_degrees=30.0, spread=spread)
        assert np.sum(found[:, 0] ** 2) == pytest.approx(1.0, abs=1e-12)
    assert found[:, 0] == pytest.approx([3**-0.5] * 3, abs=1e-9)


def test_a_place_that_moves_keeps_the_power_from_tick_to_tick() -> None:
    way = np.linspace(-500.0, 500.0, CONTROL_RATE_HZ // 10)
    ring = [{"azimuth_degrees": 60.0 * n, "elevation_degrees": 10.0 * (n % 2)} for n in range(6)]
    found = placed(ring, {"azimuth_degrees": way, "elevation_degrees": way / 10.0})
    power = np.sum(found**2, axis=0)
    assert power[24::24] == pytest.approx(1.0, abs=0.02)
    assert power.min() > 0.9


@pytest.mark.parametrize(
    "outputs",
    [
        [{"azimuth_degrees": 10.0}, {"azimuth_degrees": 370.0 - 360.0}],
        [{"azimuth_degrees": 10.0}, {"azimuth_degrees": -350.0}],
        [{"azimuth_degrees": 10.0, "elevation_degrees": 90.0}, {"azimuth_degrees": 80.0, "elevation_degrees": 90.0}],
    ],
    ids=["same", "a turn apart", "above"],
)
def test_two_outputs_in_one_direction_are_refused(outputs: list[dict[str, float]]) -> None:
    with pytest.raises(msgspec.ValidationError, match="Outputs 1 and 2 stand in one direction"):
        placed(outputs)
