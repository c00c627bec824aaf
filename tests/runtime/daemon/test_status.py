from __future__ import annotations

import json

import numpy as np

from residue.loudness.stage.history import SentHistory
from residue.loudness.stage.stage import CapStage
from residue.runtime.daemon.status import Known, line, status
from residue.runtime.engine.engine import Snapshot
from residue.runtime.house.house import House
from tests.runtime.stubs import CAPS, OUTPUTS


def test_a_house_that_its_governor_keeps_silent_can_be_asked_how_it_is() -> None:
    """As after a start with a log that cannot be read: every cap counts as used up, and JSON knows no infinity."""
    stage = CapStage(OUTPUTS, CAPS, SentHistory(unreadable=True))
    for _ in range(5):
        stage.process(np.full((2, 4800), 0.1) * np.sin(np.arange(4800) / 20))
    known = Known(
        House(),
        Snapshot(reading=stage.reading()),
        [],
        [],
        ears_known=False,
        advance=None,
        plan_gain_db=None,
        memory_bytes=0,
    )
    told = json.loads(json.dumps(status(known), allow_nan=False))
    assert told["health"]["governor_gain_db"] is None
    assert "LAeq over 1 min" in line(known)
