"""Logs the caps in force whenever they become others: the report holds what was sent against these."""

from __future__ import annotations

from collections.abc import Callable

import msgspec

from residue.installation.load import Installation
from residue.runtime.journal.caps_in_force import CapsRow, CapsSaid, caps_said
from residue.runtime.journal.log import timestamp
from residue.runtime.planning.preparation import caps, sounding_outputs
from residue.runtime.system.clock import Clock


class CapsLog:
    """Remembers what the log knows of the caps. put: takes a row without waiting for the disk."""

    def __init__(self, put: Callable[[CapsRow], None], clock: Clock) -> None:
        self._put = put
        self._clock = clock
        self._said: CapsSaid | None = None

    def look(self, installation: Installation) -> None:
        """Logs the caps if they are not those in the log. Call it every second or so."""
        said = caps_said(caps(installation), sounding_outputs(installation))
        if said != self._said:
            self._said = said
            self._put(CapsRow(utc=timestamp(self._clock.now()), said=msgspec.json.encode(said).decode()))
