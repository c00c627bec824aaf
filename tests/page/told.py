"""A status as a house tells it, for what shows it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from residue.loudness.stage.stage import CapStage
from residue.page.link import HouseAnswer, OpenSpan
from residue.runtime.daemon.status import status
from residue.runtime.engine.snapshot import Snapshot
from residue.runtime.house.house import House
from residue.runtime.house.house_state import State
from tests.runtime.daemon.test_status import NOW, QUIET
from tests.runtime.stubs import CAPS, OUTPUTS

TODAY = (OpenSpan(opens="10:00", closes="18:00", why="tue"),)


def answer(
    piece: str = "Night Dough", alarms: tuple[str, ...] = (), proof: Mapping[str, Any] | None = None
) -> HouseAnswer:
    """Of a house that plays a loud tone."""
    stage = CapStage(OUTPUTS, CAPS)
    for _ in range(5):
        stage.process(np.full((2, 4800), 0.1) * np.sin(np.arange(4800) / 20))
    known = replace(
        QUIET,
        piece=piece,
        alarms=list(alarms),
        proof=proof,
        house=House(since=NOW, state=State.PLAYING, reason="first-batch", trim_db=-6.0, trimmed_by="192.0.2.7"),
        engine=Snapshot(performance="first-batch", playhead_s=83.0, section="quiet hands", reading=stage.reading()),
    )
    told: dict[str, Any] = json.loads(json.dumps(status(known), allow_nan=False))
    return HouseAnswer(status=told, today=TODAY, reread_age_s=21_861.0)
