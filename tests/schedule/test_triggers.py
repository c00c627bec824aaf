from __future__ import annotations

import asyncio
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from residue.runtime.house.house import House, State
from residue.runtime.house.keeper import Keeper
from residue.runtime.rehearsal.simulation import CountingEngine, SimulatedClock
from residue.schedule.calendar import PagedCalendar
from residue.schedule.opening import Opening
from residue.schedule.programme import Programme
from residue.schedule.triggers import Triggers


def opening_in(seconds: float) -> PagedCalendar:
    opens = datetime.now(UTC) + timedelta(seconds=seconds)
    only = Opening(opens, opens + timedelta(hours=1), "drawn")
    return PagedCalendar(ZoneInfo("UTC"), lambda _first, _days: [only])


def system_now() -> datetime:
    return datetime.now(UTC)


async def woken_times(triggers: Triggers, woken: list[datetime], within_s: float) -> int:
    triggers.start()
    await asyncio.sleep(within_s)
    triggers.stop()
    return len(woken)


def test_it_wakes_at_the_next_change_and_then_waits_for_the_one_after() -> None:
    woken: list[datetime] = []
    calendar = opening_in(0.1)

    async def watch() -> datetime | None:
        triggers = Triggers(calendar, lambda: woken.append(system_now()), system_now)
        triggers.start()
        await asyncio.sleep(0.25)
        due = triggers.due
        triggers.stop()
        return due

    due = asyncio.run(watch())
    [at] = woken
    under_way = calendar.opening_at(at)
    assert under_way is not None, "it woke before the opening had begun"
    assert due == under_way.closes


def test_a_wake_up_that_is_hours_late_still_comes() -> None:
    """As after a suspend: by the time the scheduler looks, the change lies three hours back."""
    woken: list[datetime] = []
    calendar = opening_in(-3 * 3600)
    before_suspend = system_now() - timedelta(hours=4)
    times = iter([before_suspend])
    triggers = Triggers(calendar, lambda: woken.append(system_now()), lambda: next(times, system_now()))
    assert asyncio.run(woken_times(triggers, woken, 0.1)) == 1


def test_many_looks_leave_one_job() -> None:
    woken: list[datetime] = []
    triggers = Triggers(opening_in(0.15), lambda: woken.append(system_now()), system_now)

    async def storm() -> int:
        triggers.start()
        for _ in range(50):
            triggers.look_again()
        await asyncio.sleep(0.28)
        triggers.stop()
        return len(woken)

    assert asyncio.run(storm()) == 1


@pytest.mark.parametrize(
    ("opens_in_s", "closes_in_s", "state"),
    [(-1.0, 3600.0, State.PLAYING), (-7200.0, -3600.0, State.CLOSED), (-7200.0, 3600.0, State.PLAYING)],
    ids=["on time", "late for opening and closing", "hours late for the opening"],
)
@pytest.mark.parametrize("times", [1, 40], ids=["once", "in a storm"])
def test_a_wake_up_that_is_late_or_one_of_many_ends_in_the_state_that_the_hours_say(
    opens_in_s: float, closes_in_s: float, state: State, times: int
) -> None:
    """As after a suspend: the job fell due long ago, and everything that was waiting wakes the house at once."""
    now = system_now()
    opening = Opening(now + timedelta(seconds=opens_in_s), now + timedelta(seconds=closes_in_s), "drawn")
    calendar = PagedCalendar(ZoneInfo("UTC"), lambda _first, _days: [opening])
    clock = SimulatedClock(now)
    engine = CountingEngine(clock, {"first-batch": 300.0})
    programme = Programme(performances=("first-batch",))
    states: list[str] = []
    keeper = Keeper(House(), programme, calendar, clock, engine, lambda kind, _text, _by: states.append(kind))

    def wake() -> None:
        for _ in range(times):
            keeper.tick()

    asleep = iter([now - timedelta(hours=4)])
    triggers = Triggers(calendar, wake, lambda: next(asleep, system_now()))
    asyncio.run(woken_times(triggers, [], 0.1))
    assert keeper.house.state is state
    assert states.count("playing") == (state is State.PLAYING)


def test_new_hours_move_the_job() -> None:
    async def edit() -> tuple[datetime | None, datetime | None, datetime | None]:
        triggers = Triggers(opening_in(3600), lambda: None, system_now)
        triggers.start()
        before = triggers.due
        triggers.use(opening_in(7200))
        after = triggers.due
        triggers.use(PagedCalendar(ZoneInfo("UTC"), lambda _first, _days: []))
        never = triggers.due
        triggers.stop()
        return before, after, never

    before, after, never = asyncio.run(edit())
    assert before is not None
    assert after is not None
    assert timedelta(minutes=59) < after - before < timedelta(minutes=61)
    assert never is None
