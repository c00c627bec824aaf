"""The last late block and the last loss of the device, for the status."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

from residue.runtime.engine.snapshot import Snapshot


@dataclass(frozen=True, slots=True)
class Disturbances:
    """Late blocks and losses of the device since the start, with the time of the last one; None before the first."""

    late_blocks: int = 0
    losses: int = 0
    last_late: datetime | None = None
    last_loss: datetime | None = None


def disturbances(before: Disturbances, engine: Snapshot, now: datetime) -> Disturbances:
    """The disturbances after another look at the engine."""
    after = replace(before, late_blocks=engine.late_blocks, losses=engine.losses)
    if engine.late_blocks > before.late_blocks:
        after = replace(after, last_late=now)
    if engine.losses > before.losses:
        after = replace(after, last_loss=now)
    return after
