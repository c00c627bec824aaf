"""What is spent of a cap, and when it leaves the window."""

from __future__ import annotations

import numpy as np

from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.caps.ears import ear_of
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.budget import Budget
from residue.loudness.stage.history import SentHistory

OUTPUTS = {"left": Output(device_channel=1)}
(CAP,) = expand([CapEntry(quantity="LAeq", window_s=2.0, limit_dbfs=-20.0)])
HOPS = 20  # of 0.1 s


def test_what_is_counted_beside_leaves_the_window_with_its_hop() -> None:
    budget = Budget(CAP, ear_of(CAP, OUTPUTS), SentHistory())
    earlier = np.zeros(HOPS, np.int64)
    earlier[-3] = 1_000
    budget.count(earlier)
    for _ in range(HOPS - 3):
        budget.send(0)
        assert budget.spent == 1_000
    budget.send(0)
    assert budget.spent == 0
    assert not budget.latest_first().any()
