"""The log gets the hours in force when they change, and every day."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import msgspec

from residue.installation.load import load
from residue.runtime.daemon.hours_log import HoursLog
from residue.runtime.journal.hours_in_force import HoursRow
from residue.runtime.report.hours_then import said_in
from residue.runtime.system.clock import SystemClock

NIGHT_DOUGH = Path(__file__).parents[3] / "archives" / "night-dough"
NOW = datetime(2026, 12, 3, 9, 0, tzinfo=UTC)


class _Clock(SystemClock):
    moment = NOW

    def now(self) -> datetime:
        return self.moment


def test_the_hours_are_logged_once_and_again_when_they_are_others() -> None:
    rows: list[HoursRow] = []
    clock, installation = _Clock(), load(NIGHT_DOUGH)
    log = HoursLog(rows.append, clock)
    for _ in range(3):
        log.look(installation, {})
    assert len(rows) == 1
    said = said_in(rows[0])
    assert said is not None
    today = [one for one in said.openings if one.opens.date() == date(2026, 12, 3)]
    assert today == installation.calendar.openings(date(2026, 12, 3), 1)

    log.look(installation, {"first-batch": 300.0, "of another piece": 1.0})
    assert len(rows) == 2
    assert (again := said_in(rows[1])) is not None
    assert again.duration_s == {"first-batch": 300.0}

    programme = msgspec.structs.replace(installation.hours.programme, rest_s=7.0)
    edited = replace(installation, hours=msgspec.structs.replace(installation.hours, programme=programme))
    log.look(edited, {"first-batch": 300.0})
    assert len(rows) == 3, "the programme alone has changed"

    clock.moment += timedelta(days=1)
    log.look(edited, {"first-batch": 300.0})
    assert len(rows) == 4
    assert (later := said_in(rows[3])) is not None
    assert later.knows(date(2027, 1, 4))
