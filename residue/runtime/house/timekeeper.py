"""The time of the house: the hours, as far as the machine's clock is reliable."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import date, datetime
from typing import Protocol
from zoneinfo import ZoneInfo

from residue.runtime.system.beside_loop import in_thread
from residue.runtime.system.clock import Clock
from residue.schedule.calendar import Calendar, closing
from residue.schedule.clock_trust import ClockTrust, Timekeeping, Witnesses, look, opening_by, witnesses
from residue.schedule.hours import Hours
from residue.schedule.opening import Opening

ASK_EVERY_S = 30.0
"""The time between two questions to the machine whether its clock was set; the answer is slow, so a thread asks."""


class HoursInForce(Protocol):
    """The hours of the house at present."""

    @property
    def hours(self) -> Hours:
        """The hours as the curator wrote them."""

    @property
    def calendar(self) -> Calendar:
        """The openings that follow from them."""


class Timekeeper:
    """The calendar in force, with careful answers while the clock is unsure.

    It reads the clocks on every tick, and asks the machine from time to time. in_force: called each time.
    """

    def __init__(self, in_force: Callable[[], HoursInForce], clock: Clock, last_known: datetime | None) -> None:
        self._in_force = in_force
        self._clock = clock
        self._witnesses = Witnesses(service=False, battery=False)
        self.known = Timekeeping(last_known=last_known)

    async def ask(self) -> None:
        """Asks the machine once; call it before the first tick, and repeatedly beside the loop."""
        self._witnesses = await in_thread(witnesses)

    async def keep_asking(self) -> None:
        """Examines the clock again and again, until it is cancelled."""
        while True:
            await asyncio.sleep(ASK_EVERY_S)
            await self.ask()

    def look(self) -> None:
        """Reads the clocks; call it on every tick, before any question."""
        self.known = look(self.known, self._clock.now(), self._clock.monotonic_s(), self._witnesses)

    @property
    def zone(self) -> ZoneInfo:
        """The zone of the place."""
        return self._in_force().calendar.zone

    def openings(self, first: date, days: int) -> list[Opening]:
        """The openings that begin on these local days, by the hours alone."""
        return self._in_force().calendar.openings(first, days)

    def opening_at(self, moment: datetime) -> Opening | None:
        """The present opening; while the clock is unsure, by the curator's choice."""
        return opening_by(self._in_force().calendar, self.known, moment, self._in_force().hours.when_clock_is_unsure)

    def closing(self, opening: Opening) -> datetime | None:
        """When the house closes of which this opening is under way, by the hours alone; None for more than a week."""
        return closing(self._in_force().calendar, opening)

    def next_change(self, moment: datetime) -> datetime | None:
        """The first opening or closing after `moment`, by the hours alone."""
        return self._in_force().calendar.next_change(moment)

    @property
    def doubt(self) -> str | None:
        """A sentence on an unreliable clock; None while it is reliable."""
        if self.known.trust is not ClockTrust.UNSURE:
            return None
        return (
            f"The clock is unsure; the house is to be {_TOLD[self._in_force().hours.when_clock_is_unsure]} meanwhile."
        )


_TOLD = {"closed": "closed", "open": "open", "last known": "open or closed by the last time that was known"}
