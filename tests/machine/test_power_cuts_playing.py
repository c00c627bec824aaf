"""Five power cuts while a house plays at its cap; python -m tests.machine.power_cuts_playing has more of them."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.machine.power_cuts_playing import GRAIN_DB, LIMIT_DBFS, outcomes

pytestmark = [pytest.mark.machine, pytest.mark.timeout(7_200)]

CUTS = int(os.environ.get("POWER_CUTS", "5"))


def test_the_house_plays_again_after_each_and_no_window_passes_the_cap(tmp_path: Path) -> None:
    """What is lost is told, and counts at the limit: outcomes() raises where it is not."""
    met = list(outcomes(tmp_path, CUTS))
    assert len(met) == CUTS
    assert max(one.highest_db for one in met) <= LIMIT_DBFS + GRAIN_DB
    assert max(one.forgetful_db for one in met) > LIMIT_DBFS + 5 * GRAIN_DB, "else this would show nothing"
