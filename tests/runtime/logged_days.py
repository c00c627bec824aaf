"""A level log as a house leaves it, made up: swelling performances with rests, and some events."""

from __future__ import annotations

import math
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path

from residue.runtime.journal.event_kinds import READ_AGAIN
from residue.runtime.journal.log import EventRow, LevelLog, Row, timestamp
from residue.runtime.journal.tallies import Circumstances, Tallies
from residue.runtime.system.clock import Uptime
from tests.runtime.tallied import tally


def write_day(log_path: Path, opens: datetime, seconds: int, loudest_db: float = 84.0) -> None:
    """From the opening on: performances of five minutes that swell by 30 dB, and rests of a minute and a half."""
    tallies, rows = Tallies(), list[Row]()
    for second in range(seconds):
        now = opens + timedelta(seconds=second + 1)
        place_s = second % 390
        playing = place_s < 300
        level = loudest_db - 30.0 * (1.0 - place_s / 300.0) + 2.0 * math.sin(second) if playing else -math.inf
        name = ("first-batch", "second-batch")[second // 390 % 2] if playing else None
        state = "playing" if playing else "resting"
        then = Circumstances(
            house=state,
            performance=name,
            playhead_s=place_s if playing else None,
            plan_gain_db=-4.2 if playing else None,
            trim_db=0.0,
        )
        rows += tallies.rows(tally(1.0, level), now, Uptime("a boot", float(second)), then)
    rows += tallies.rest()
    for after_s, kind, text, sender in (
        (0, "started", "Night Dough, North hall", None),
        (0, "in force", "residue 0.1.0, digest 0123456789abcdef.", None),
        (1, "playing", "first-batch from 0 s on", None),
        (400, "hold", "Requested by 10.0.0.7.", "10.0.0.7"),
        (460, "release", "Requested by 10.0.0.7; was held by 10.0.0.7.", "10.0.0.7"),
        (470, "swap", "third-batch in the place of first-batch: it is ready.", None),
        (480, READ_AGAIN, "The nightly reading found every file unchanged.", None),
        (900, "watchdog", "late blocks: 12 blocks came late. Remedy: log.", None),
    ):
        rows.append(EventRow(utc=timestamp(opens + timedelta(seconds=after_s)), kind=kind, text=text, sender=sender))
    with closing(LevelLog(log_path)) as log:
        log.write(rows)
