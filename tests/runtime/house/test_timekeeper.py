from __future__ import annotations

import asyncio
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import msgspec
import pytest

from residue.runtime.house import timekeeper
from residue.runtime.house.timekeeper import Timekeeper
from residue.runtime.rehearsal.simulation import SimulatedClock
from residue.schedule.calendar import Calendar
from residue.schedule.clock_trust import ClockTrust, Witnesses
from residue.schedule.hours import Hours, calendar
from residue.schedule.opening import Opening

TUESDAY_NOON = datetime(2027, 3, 2, 11, tzinfo=UTC)


@dataclass(frozen=True)
class FixedHours:
    """Hours that nobody edits."""

    hours: Hours
    calendar: Calendar


def keeper(clock: SimulatedClock, when_unsure: str) -> Timekeeper:
    raw = {
        "time_zone": "Europe/Berlin",
        "weekly": {"tue": ["10:00-18:00"]},
        "programme": {"performances": ["first-batch"]},
        "when_clock_is_unsure": when_unsure,
    }
    hours = msgspec.convert(raw, Hours)
    return Timekeeper(lambda: FixedHours(hours, calendar(hours)), clock, None)


def trust_of(keeps: Timekeeper) -> ClockTrust:
    return keeps.known.trust


def opening_now(keeps: Timekeeper, clock: SimulatedClock) -> Opening | None:
    keeps.look()
    return keeps.opening_at(clock.now())


def said(monkeypatch: pytest.MonkeyPatch, witnesses: Witnesses) -> None:
    monkeypatch.setattr(timekeeper, "witnesses", lambda: witnesses)


def test_it_goes_by_the_hours_once_the_clock_was_set(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = SimulatedClock(TUESDAY_NOON)
    keeps = keeper(clock, "closed")
    assert opening_now(keeps, clock) is None
    assert keeps.doubt == "The clock is unsure; the house is to be closed meanwhile."
    said(monkeypatch, Witnesses(service=True, battery=False))
    asyncio.run(keeps.ask())
    opening = opening_now(keeps, clock)
    assert opening is not None
    assert keeps.doubt is None


def test_a_step_that_nobody_vouches_for_is_not_followed(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = SimulatedClock(TUESDAY_NOON)
    keeps = keeper(clock, "last known")
    said(monkeypatch, Witnesses(service=True, battery=False))
    asyncio.run(keeps.ask())
    opening_now(keeps, clock)
    said(monkeypatch, Witnesses(service=False, battery=False))
    asyncio.run(keeps.ask())
    clock.advance(60)
    assert (opening_now(keeps, clock) is not None, trust_of(keeps)) == (True, ClockTrust.CARRIED)
    clock.off_s = 86_400.0
    opening = opening_now(keeps, clock)
    assert trust_of(keeps) is ClockTrust.UNSURE
    assert opening is not None
    assert opening.closes - clock.now() == timedelta(hours=6) - timedelta(seconds=60)
