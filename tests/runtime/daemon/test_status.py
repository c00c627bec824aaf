from __future__ import annotations

import json

import numpy as np

from residue.control.query import in_words
from residue.loudness.stage.history import SentHistory
from residue.loudness.stage.stage import CapStage
from residue.mapping.trust import BodyReading
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


def test_a_reading_that_is_held_is_told_as_such() -> None:
    readings = {"pulse": BodyReading(71.3, 0.0), "beats": BodyReading(None, 1.0)}
    engine = Snapshot(performance="early-oven", readings=readings)
    known = Known(House(), engine, [], [], ears_known=True, advance=None, plan_gain_db=None, memory_bytes=0)
    told = json.loads(json.dumps(status(known), allow_nan=False))
    assert told["readings"] == {"pulse": {"value": 71.3, "trust": 0.0}, "beats": {"value": None, "trust": 1.0}}
    lines = in_words(told)
    assert "pulse: 71.3, trust 0.00, not measured now." in lines
    assert "beats: trust 1.00." in lines
