"""Fetches the calendar on the web again and again, and puts it into the folder of the hours as hours.ics."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path

from residue.runtime.system.beside_loop import in_thread
from residue.runtime.system.shared_files import put_shared
from residue.schedule.beside import CALENDAR_FILE
from residue.schedule.calendar_fetch import Fetched, FetchOutcome, Unfetched, fetch
from residue.schedule.calendar_file import MOST_BYTES
from residue.schedule.hours_folder import HoursFolder
from residue.small_files import read_small

_AGAIN_S = 60.0
"""After a failure it is tried again so soon: a name server or a line may be away for a moment."""
_TOLD_AFTER = 3
"""So many failures in a row are a fault."""

Fetching = Callable[..., FetchOutcome]


class CalendarKeeper:
    """One calendar on the web; the file in the folder is the last good one.

    What it says is read as that of any hours.ics: a child reads it, and what is refused leaves the hours in force.
    """

    def __init__(
        self, folder: HoursFolder | None, happened: Callable[[str, str], None], fetching: Fetching = fetch
    ) -> None:
        self._folder = folder if folder is not None and folder.calendar_url is not None else None
        self._happened, self._fetching = happened, fetching
        self._tag: str | None = None
        self._lines: list[bytes] = []
        """Of the calendar that has this tag."""
        self._failures, self._why = 0, ""

    @property
    def words(self) -> str:
        """A sentence for the curator; empty without a calendar on the web."""
        if self._folder is None:
            return ""
        every = f"{CALENDAR_FILE} is fetched from {self._folder.server} every {self._folder.calendar_every_min} min."
        return f"{every} {self.alarm}" if self.alarm else every

    @property
    def alarm(self) -> str | None:
        """A sentence while it cannot be fetched."""
        if self._folder is None or self._failures < _TOLD_AFTER:
            return None
        return f"The calendar of {self._folder.server} cannot be fetched; the last one stays in force. {self._why}"

    async def keep(self) -> None:
        """Fetches from time to time, until it is cancelled."""
        if self._folder is None:
            return
        while True:
            await in_thread(self.fetch_once)
            await asyncio.sleep(_AGAIN_S if self._failures else 60.0 * self._folder.calendar_every_min)

    def fetch_once(self) -> None:
        """Asks the server, and writes the file if it is another one."""
        folder = self._folder
        if folder is None or folder.fetched_from is None:
            return
        path = Path(folder.path, CALENDAR_FILE)
        # A file that somebody removed or changed is wanted whole, though the server has no other version.
        tag = self._tag if _apart_from_stamps(_present(path)) == self._lines else None
        outcome = self._fetching(folder.fetched_from, ca_file=folder.ca_file, tag=tag)
        try:
            if isinstance(outcome, Fetched):
                self._take(path, outcome)
        except OSError as error:
            outcome = Unfetched(why=f"{path} cannot be written: {error.strerror}.")
        self._count(outcome, folder.server)

    def _take(self, path: Path, fetched: Fetched) -> None:
        lines = _apart_from_stamps(fetched.content)
        if lines != _apart_from_stamps(_present(path)):
            put_shared(path, fetched.content)
        self._tag, self._lines = fetched.tag, lines

    def _count(self, outcome: FetchOutcome, server: str) -> None:
        if isinstance(outcome, Unfetched):
            self._failures, self._why = self._failures + 1, outcome.why
            if self._failures == _TOLD_AFTER:
                self._happened("calendar", str(self.alarm))
            return
        if self._failures >= _TOLD_AFTER:
            self._happened("hours", f"The calendar of {server} is fetched again.")
        self._failures = 0


def _present(path: Path) -> bytes:
    try:
        return read_small(path, MOST_BYTES)
    except OSError:
        return b""


def _apart_from_stamps(content: bytes) -> list[bytes]:
    """The lines without the moment at which a server wrote them, which says nothing of the hours."""
    return [line for line in content.splitlines() if not line.startswith(b"DTSTAMP")]
