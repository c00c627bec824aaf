"""Logs the hours in force whenever they, or the day, become others: the report keeps to them."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from datetime import date

import msgspec

from residue.installation.load import HOURS, Installation
from residue.problems import ProblemError
from residue.runtime.journal.hours_in_force import HoursRow, HoursSaid, hours_digest, hours_said
from residue.runtime.journal.log import timestamp
from residue.runtime.system.clock import Clock
from residue.schedule.calendar import Calendar
from residue.schedule.hours import Hours
from residue.schedule.spans import local

logger = logging.getLogger(__name__)


class HoursLog:
    """Remembers what the log knows of the hours. put: takes a row without waiting for the disk."""

    def __init__(self, put: Callable[[HoursRow], None], clock: Clock) -> None:
        self._put = put
        self._clock = clock
        self._looked: tuple[Hours, Calendar, date, Mapping[str, float]] | None = None
        self._said: HoursSaid | None = None

    def look(self, installation: Installation, duration_s: Mapping[str, float]) -> None:
        """Logs the hours if they are not those in the log.

        Call it every second or so, beside the loop: further years of a calendar file take a process.
        duration_s: the lengths of performances, as far as they are known.
        """
        now = self._clock.now()
        today = local(now, installation.calendar.zone).date()
        looked = installation.hours, installation.calendar, today, dict(duration_s)
        if looked == self._looked:
            return
        self._looked = looked
        try:
            said = hours_said(installation, today, duration_s)
        except ProblemError as error:  # the house reports it: see InForce
            logger.warning("The hours cannot be logged: %s", error)
            return
        if said != self._said:
            self._said = said
            digest = hours_digest(installation.places[HOURS])
            self._put(HoursRow(utc=timestamp(now), digest=digest, said=msgspec.json.encode(said).decode()))
