"""Angles as integer phases."""

from __future__ import annotations

import numpy as np
import pytest

from residue.dsp.exact import TURN, phases


@pytest.mark.parametrize(
    ("turns", "expected"),
    [(0.0, 0), (0.25, TURN // 4), (-0.25, TURN // 4 * 3), (1.0, 0), (-7.5, TURN // 2), (1e15, 0)],
)
def test_turns_of_any_sign_are_phases_within_one(turns: float, expected: int) -> None:
    assert phases(np.array([turns]))[0] == expected


@pytest.mark.parametrize("turns", [-5e-324, -1e-20, -1e-17])
def test_a_hair_below_a_turn_is_its_beginning(turns: float) -> None:
    """The difference to the next lower whole number rounds to 1, and 2**64 is no 64-bit number."""
    assert phases(np.array([turns]))[0] == 0
