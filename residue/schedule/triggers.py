"""Wakes the house at the next opening or closing."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

from apscheduler.schedulers.asyncio import AsyncIOScheduler

from residue.schedule.calendar import Calendar

_JOB = "next change"


class Triggers:
    """Keeps one job at the next change of a calendar; it only wakes, and the house finds out by itself what is so.

    A wake-up that is late is still worth having (no misfire grace), and many that fell due together are one
    (coalesced). The scheduler counts on the wall clock, so after a step backwards a job comes late: the daemon ticks on
    the monotonic clock besides, and calls `look_again` when it sees the wall clock step.
    """

    def __init__(self, calendar: Calendar, wake: Callable[[], None], now: Callable[[], datetime]) -> None:
        self._calendar = calendar
        self._wake = wake
        self._now = now
        self._scheduler = AsyncIOScheduler(timezone=UTC, job_defaults={"misfire_grace_time": None, "coalesce": True})

    def start(self) -> None:
        """Begin, within a running event loop."""
        self._scheduler.start()
        self.look_again()

    def stop(self) -> None:
        """End; nothing wakes any more."""
        self._scheduler.shutdown(wait=False)

    def use(self, calendar: Calendar) -> None:
        """From now on by these hours."""
        self._calendar = calendar
        self.look_again()

    def look_again(self) -> None:
        """Put the job where the next change is now."""
        change = self._calendar.next_change(self._now())
        if change is None:
            if self._scheduler.get_job(_JOB) is not None:
                self._scheduler.remove_job(_JOB)
            return
        self._scheduler.add_job(self._fire, "date", run_date=change, id=_JOB, replace_existing=True)

    @property
    def due(self) -> datetime | None:
        """When it will wake next."""
        job = self._scheduler.get_job(_JOB)
        return None if job is None else job.next_run_time

    async def _fire(self) -> None:
        self._wake()
        self.look_again()
