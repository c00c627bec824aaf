"""Switches equipment with the hours, beside the house, which never waits for it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta
from math import inf
from typing import Protocol

from residue.schedule.calendar import Calendar

AGAIN_AFTER_S = 60.0
"""The time until the next try, after all tries failed."""


class SwitchError(Exception):
    """A piece of equipment was not switched; the text gives the reason."""


class Switched(Protocol):
    """Equipment as the switchboard needs it."""

    @property
    def name(self) -> str:
        """Its name for people."""

    @property
    def on_before_s(self) -> float:
        """The time before the opening at which it is switched on."""

    @property
    def off_after_s(self) -> float:
        """The time after closing for which it stays on."""

    @property
    def timeout_s(self) -> float:
        """The longest time for one try."""

    @property
    def tries(self) -> int:
        """The number of tries at once."""

    @property
    def if_it_fails(self) -> str:
        """'stop here' leaves the equipment after it off."""

    async def switch(self, *, on: bool) -> None:
        """Switches it once; raises SwitchError or OSError."""


def is_wanted(one: Switched, calendar: Calendar, now: datetime) -> bool:
    """Whether it must be on now: from its time before an opening until its time after closing."""
    since = now - timedelta(seconds=one.off_after_s)
    if calendar.opening_at(since) is not None:
        return True
    opens = calendar.next_change(since)
    return opens is not None and opens <= now + timedelta(seconds=one.on_before_s)


class Switchboard:
    """Brings equipment into the wanted state, one after the other: on in listed order, off in the opposite.

    happened: writes into the event log: kind, text.
    """

    def __init__(self, equipment: Sequence[Switched], happened: Callable[[str, str], None]) -> None:
        self._equipment = tuple(equipment)
        self._happened = happened
        self._done: dict[str, bool] = {}
        self._not_before_s: dict[tuple[str, bool], float] = {}

    @property
    def done(self) -> Mapping[str, bool]:
        """The known state of each piece of equipment, by name; those without an answer are missing."""
        return dict(self._done)

    async def settle(self, calendar: Calendar, now: datetime, monotonic_s: float) -> None:
        """Switches equipment that is not in the wanted state; a task of its own calls this every second or so."""
        wanted = {one.name: is_wanted(one, calendar, now) for one in self._equipment}
        for one in reversed(self._equipment):
            if not wanted[one.name]:
                await self._have(one, monotonic_s, on=False)
        for one in self._equipment:
            if wanted[one.name] and not await self._have(one, monotonic_s, on=True) and one.if_it_fails == "stop here":
                return

    async def _have(self, one: Switched, monotonic_s: float, *, on: bool) -> bool:
        if self._done.get(one.name) is on:
            return True
        if monotonic_s < self._not_before_s.get((one.name, on), -inf):
            return False
        why = await _tried(one, on=on)
        word = "on" if on else "off"
        if why is None:
            self._done[one.name] = on
            self._not_before_s.pop((one.name, on), None)
            self._happened("switched", f"{one.name} is {word}.")
            return True
        self._not_before_s[one.name, on] = monotonic_s + AGAIN_AFTER_S
        self._happened("not switched", f"{one.name} could not be switched {word} in {one.tries} tries. {why}")
        return False


async def _tried(one: Switched, *, on: bool) -> str | None:
    """None if a try succeeded, else the reason why the last failed."""
    why = None
    for _ in range(one.tries):
        try:
            async with asyncio.timeout(one.timeout_s):
                await one.switch(on=on)
        except TimeoutError:
            why = f"It did not answer within {one.timeout_s:g} s."
        except PermissionError as error:
            why = f"{error.strerror}: `residue check` says what forbids it."
        except Exception as error:  # noqa: BLE001 - after any error of one, the others are still switched
            why = str(error)
        else:
            return None
    return why
