from __future__ import annotations

from datetime import UTC, datetime, timedelta

from residue.runtime.daemon.disturbances import Disturbances, disturbances
from residue.runtime.engine.snapshot import Snapshot

NOON = datetime(2026, 3, 3, 12, 0, tzinfo=UTC)
LATER = NOON + timedelta(seconds=1)


def test_the_time_is_that_of_the_last_one_and_not_of_the_last_look() -> None:
    lost = disturbances(Disturbances(), Snapshot(losses=1), NOON)
    assert lost == Disturbances(losses=1, last_loss=NOON)
    assert disturbances(lost, Snapshot(losses=1), LATER) == lost
    late = disturbances(lost, Snapshot(losses=1, late_blocks=2), LATER)
    assert late == Disturbances(losses=1, last_loss=NOON, late_blocks=2, last_late=LATER)
