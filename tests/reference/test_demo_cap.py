"""The cap changes the demos by the gain of the plan alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.reference.demo_cap import differences_db, levels_before_and_after

MOST_DIFFERENT_DB = 0.1
"""Our own bound: a tenth of what a listener notices in a steady sound (from memory)."""


@pytest.mark.parametrize(
    ("piece", "name", "seconds"),
    [pytest.param("oven-watch", "early-oven", 40, marks=pytest.mark.long), ("night-dough", "first-batch", 40)],
)
def test_the_cap_leaves_the_first_part_of_a_demo_alone(piece: str, name: str, seconds: int, tmp_path: Path) -> None:
    # A gain near the plan's, so that the rest of the programme need not be rendered.
    before, after = levels_before_and_after(piece, name, tmp_path, seconds, -3.0)
    found = np.concatenate(differences_db(before, after))
    assert len(found) > 0.3 * before.size
    assert np.max(np.abs(found)) <= MOST_DIFFERENT_DB
