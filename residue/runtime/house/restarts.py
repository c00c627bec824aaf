"""Limits how often the watchdog may restart the program."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

from residue.records import SpoiltRecordError, encode_record, read_record
from residue.runtime.system.clock import Clock
from residue.runtime.system.files import replace_file
from residue.watchdog.checks import Check

logger = logging.getLogger(__name__)

FILE_NAME = "restarts.json"
MOST = 3
WITHIN = timedelta(hours=1)
"""At most three restarts within an hour: a fourth would not help either."""


class Restarts:
    """Remembers restarts and their reasons; without a file that can be read and written, there is no limit.

    happened: writes into the event log: kind, text.
    """

    def __init__(self, path: Path, clock: Clock, happened: Callable[[str, str], None]) -> None:
        self._path = path
        self._clock = clock
        self._happened = happened

    def may(self, check: Check) -> bool:
        """Whether this check may restart the program once more; if so, the restart is counted.

        The check for an engine that writes nothing has no limit: systemd would end the program anyway.
        """
        now, known = self._clock.now(), self._known()
        lately = [moment for moment in known.get(check.name, []) if abs(now - moment) < WITHIN]
        if len(lately) >= MOST and check.name != "engine stalls":
            return False
        known[check.name] = [*lately, now][-MOST:]
        try:
            replace_file(self._path, encode_record(known))
        except OSError as error:
            logger.warning("The reason of the restart cannot be written: %s", error)
        return True

    def _known(self) -> dict[str, list[datetime]]:
        try:
            return read_record(self._path, dict[str, list[datetime]])
        except FileNotFoundError:
            return {}
        except (OSError, SpoiltRecordError) as error:
            self._happened("watchdog", f"{self._path.name} cannot be read: {error}. Earlier restarts are not counted.")
            return {}
