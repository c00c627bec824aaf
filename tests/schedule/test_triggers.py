from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from residue.runtime.house.house import House, State
from residue.runtime.house.keeper import Keeper
from residue.runtime.rehearsal.simulation import CountingEngine, SimulatedClock
from residue.schedule.calendar import Calendar, PagedCalendar
from residue.schedule.opening import Opening
from residue.schedule.programme import Programme
from residue.schedule.triggers import Period, Trigger, Triggers, fixed_start, nightly


def opening_in(seconds: float) -> PagedCalendar:
    opens = datetime.now(UTC) + timedelta(seconds=seconds)
    only = Opening(opens, opens + timedelta(hours=1), "drawn")
    return PagedCalendar(ZoneInfo("UTC"), lambda _first, _days: [only])


def of_hours(calendar: Calendar, fire: Callable[[], object], now: Callable[[], datetime]) -> Triggers:
    return Triggers([Trigger("opening or closing", lambda at: calendar.next_change(at), fire)], now)


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
        triggers = of_hours(calendar, lambda: woken.append(system_now()), system_now)
        triggers.start()
        await asyncio.sleep(0.25)
        due = triggers.due.get("opening or closing")
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
    triggers = of_hours(calendar, lambda: woken.append(system_now()), lambda: next(times, system_now()))
    assert asyncio.run(woken_times(triggers, woken, 0.1)) == 1


def test_many_looks_leave_one_job() -> None:
    woken: list[datetime] = []
    triggers = of_hours(opening_in(0.15), lambda: woken.append(system_now()), system_now)

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
    keeper = Keeper(House(), lambda: programme, calendar, clock, engine, lambda kind, _text, _by: states.append(kind))

    def wake() -> None:
        for _ in range(times):
            keeper.tick()

    asleep = iter([now - timedelta(hours=4)])
    triggers = of_hours(calendar, wake, lambda: next(asleep, system_now()))
    asyncio.run(woken_times(triggers, [], 0.1))
    assert keeper.house.state is state
    assert states.count("playing") == (state is State.PLAYING)


def test_new_hours_move_the_job() -> None:
    async def edit() -> list[datetime | None]:
        in_force = [opening_in(3600)]
        triggers = Triggers([Trigger("change", lambda at: in_force[-1].next_change(at), lambda: None)], system_now)
        triggers.start()
        found = [triggers.due.get("change")]
        for calendar in (opening_in(7200), PagedCalendar(ZoneInfo("UTC"), lambda _first, _days: [])):
            in_force.append(calendar)
            triggers.look_again()
            found.append(triggers.due.get("change"))
        triggers.stop()
        return found

    before, after, never = asyncio.run(edit())
    assert before is not None
    assert after is not None
    assert timedelta(minutes=59) < after - before < timedelta(minutes=61)
    assert never is None


@pytest.mark.parametrize("step_h", [-2.0, 2.0])
def test_after_a_step_of_the_clock_every_job_lies_where_it_belongs(step_h: float) -> None:
    """A job with an interval would not run for two hours after a step of -2 h (seen with APScheduler 3.11)."""
    clock = SimulatedClock(system_now())
    trimming = Period(3600.0, clock.monotonic_s)
    triggers = Triggers(
        [
            Trigger("trimming", trimming.due, lambda: None),
            Trigger("night", lambda at: nightly(180, opening_in(0.0), at), lambda: None),
        ],
        clock.now,
    )

    async def stepped() -> dict[str, datetime]:
        triggers.start()
        clock.advance(600.0)
        clock.off_s = step_h * 3600.0
        triggers.look_again()
        due = triggers.due
        triggers.stop()
        return due

    due = asyncio.run(stepped())
    assert (due["trimming"] - clock.now()).total_seconds() == pytest.approx(3000.0, abs=0.1)
    assert timedelta(0) < due["night"] - clock.now() <= timedelta(days=1)
    assert (due["night"].astimezone(UTC).hour, due["night"].minute) == (3, 0)


def test_a_period_goes_on_in_step_whatever_falls_between() -> None:
    clock = SimulatedClock(datetime(2026, 3, 3, tzinfo=UTC))
    period = Period(60.0, clock.monotonic_s)
    found = []
    for _ in range(5):
        found.append((period.due(clock.now()) - clock.now()).total_seconds())
        clock.advance(45.0)
    assert found == [60.0, 15.0, 30.0, 45.0, 60.0]


def test_a_night_is_read_once_when_the_clocks_go_back() -> None:
    """Europe/Berlin, 25 October 2026: 02:00 to 03:00 comes twice, and three o'clock once (tz database)."""
    calendar = PagedCalendar(ZoneInfo("Europe/Berlin"), lambda _first, _days: [])
    moment, found = datetime(2026, 10, 24, 12, tzinfo=UTC), []
    for _ in range(3):
        moment = nightly(180, calendar, moment)
        found.append(moment.astimezone(UTC).isoformat(timespec="minutes"))
    assert found == ["2026-10-25T02:00+00:00", "2026-10-26T02:00+00:00", "2026-10-27T02:00+00:00"]


@pytest.mark.parametrize(
    ("now", "due"),
    [("09:59", None), ("10:00", "11:00"), ("11:00", "15:30"), ("15:30", None), ("18:00", None)],
)
def test_a_fixed_start_wakes_within_the_opening_only(now: str, due: str | None) -> None:
    day = Opening(datetime(2026, 3, 3, 10, tzinfo=UTC), datetime(2026, 3, 3, 18, tzinfo=UTC), "drawn")
    calendar = PagedCalendar(ZoneInfo("UTC"), lambda _first, _days: [day])
    programme = Programme(performances=("first-batch",), starts=("11:00", "15:30"))
    found = fixed_start(calendar, programme, datetime.fromisoformat(f"2026-03-03T{now}:00+00:00"))
    assert (None if found is None else f"{found:%H:%M}") == due
