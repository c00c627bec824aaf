"""The moments at which the house has something to do, as jobs of the scheduler."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from apscheduler.schedulers.asyncio import AsyncIOScheduler

from residue.schedule.calendar import Calendar
from residue.schedule.programme import Programme, next_start
from residue.schedule.spans import instant, local


@dataclass(frozen=True, slots=True)
class Trigger:
    """An action at known moments. due: the first moment after the given one, or None where there is none for now."""

    name: str
    due: Callable[[datetime], datetime | None]
    fire: Callable[[], object]


class Triggers:
    """Keeps one job for each trigger, at its next moment.

    The action of a trigger reads the present state itself, so a trigger that comes late, twice or never does no harm. A
    late wake-up is still useful (no misfire grace), and several that are due together are one (coalesced). All jobs
    have a date and none an interval: the scheduler counts on the wall clock, and after a step of -2 h one with an
    interval would not run for two hours. The daemon notices steps of the wall clock by the monotonic one, and calls
    `look_again`, which places every job again.
    """

    def __init__(self, triggers: Sequence[Trigger], now: Callable[[], datetime]) -> None:
        self._triggers = {one.name: one for one in triggers}
        self._now = now
        self._scheduler = AsyncIOScheduler(timezone=UTC, job_defaults={"misfire_grace_time": None, "coalesce": True})

    def start(self) -> None:
        """Starts, within a running event loop."""
        self._scheduler.start()
        self.look_again()

    def stop(self) -> None:
        """Stops all triggers."""
        self._scheduler.shutdown(wait=False)

    def look_again(self) -> None:
        """Places every job at its next moment from now."""
        for trigger in self._triggers.values():
            self._place(trigger)

    @property
    def due(self) -> dict[str, datetime]:
        """The next moment of each trigger, by name."""
        return {job.id: job.next_run_time for job in self._scheduler.get_jobs()}

    def _place(self, trigger: Trigger) -> None:
        moment = trigger.due(self._now())
        if moment is not None:
            self._scheduler.add_job(
                self._fire, "date", run_date=moment, args=[trigger.name], id=trigger.name, replace_existing=True
            )
        elif self._scheduler.get_job(trigger.name) is not None:
            self._scheduler.remove_job(trigger.name)

    async def _fire(self, name: str) -> None:
        self._triggers[name].fire()
        self.look_again()


def fixed_start(calendar: Calendar, programme: Programme, moment: datetime) -> datetime | None:
    """The first time after `moment` at which a performance may begin in the present opening."""
    opening = calendar.opening_at(moment)
    if opening is None:
        return None
    start = next_start(programme, opening, moment + timedelta(microseconds=1), calendar.zone)
    return start if start is not None and moment < start < opening.closes else None


def nightly(minutes: int, calendar: Calendar, moment: datetime) -> datetime:
    """The first moment after the one given that is so many minutes after a midnight of the place."""
    day = local(moment, calendar.zone).date()
    days = (day + timedelta(days=number) for number in range(3))
    return next(at for one in days if (at := instant(one, minutes, calendar.zone)) > moment)


class Period:
    """Every so many seconds on the monotonic clock: a step of the wall clock does not change it."""

    def __init__(self, period_s: float, monotonic_s: Callable[[], float]) -> None:
        self._period_s = period_s
        self._monotonic_s = monotonic_s
        self._next_s = monotonic_s() + period_s

    def due(self, moment: datetime) -> datetime:
        """The next end of a period, by the wall clock of `moment`."""
        now_s = self._monotonic_s()
        while self._next_s <= now_s:
            self._next_s += self._period_s
        return moment + timedelta(seconds=self._next_s - now_s)
