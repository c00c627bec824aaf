from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from residue.runtime.house.house import House
from residue.runtime.house.keeper import Keeper
from residue.runtime.rehearsal.simulation import CountingEngine, SimulatedClock
from residue.schedule.calendar import PagedCalendar
from residue.schedule.opening import Opening
from residue.schedule.programme import Programme

OPENING = Opening(datetime(2026, 3, 3, 10, tzinfo=UTC), datetime(2026, 3, 3, 18, tzinfo=UTC), "tue")
PROGRAMME = Programme(performances=("first-batch", "second-batch", "last-batch"))


def keeper_at(now: datetime, house: House, *openings: Opening) -> Keeper:
    clock = SimulatedClock(now)
    calendar = PagedCalendar(ZoneInfo("UTC"), lambda _first, _days: openings)
    return Keeper(house, lambda: PROGRAMME, calendar, clock, CountingEngine(clock, {}), lambda _kind, _text, _by: None)


@pytest.mark.parametrize(
    ("opens_in_h", "index", "due"),
    [
        (-1, 1, ["second-batch", "last-batch", "first-batch"]),
        (2, 0, ["first-batch", "second-batch", "last-batch"]),
    ],
    ids=["within an opening that it remembers", "before an opening"],
)
def test_what_is_due_follows_the_programme_from_where_the_house_is(opens_in_h: int, index: int, due: list[str]) -> None:
    now = OPENING.opens - timedelta(hours=opens_in_h)
    house = House(opening=OPENING if index else None, index=index)
    assert keeper_at(now, house, OPENING).due() == due


def test_another_opening_begins_with_its_first() -> None:
    yesterday = Opening(OPENING.opens - timedelta(days=1), OPENING.closes - timedelta(days=1), "mon")
    house = House(opening=yesterday, index=2)
    assert keeper_at(OPENING.opens, house, yesterday, OPENING).due()[0] == "first-batch"


def test_without_an_opening_nothing_is_due() -> None:
    assert list(keeper_at(OPENING.opens, House()).due()) == []
