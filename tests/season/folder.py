"""The installation of a season: real files, which people edit, break and mend while the house runs."""

from __future__ import annotations

import shutil
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import cast
from zoneinfo import ZoneInfo

import msgspec

from residue.archive.fixity import verify
from residue.problems import ProblemError, stops
from residue.runtime.planning.planning import Outcome
from residue.runtime.system.child_process import ChildProcess
from residue.schedule import expansion
from residue.schedule.calendar_file import MOST_BYTES
from residue.schedule.tables import EventWords
from residue.small_files import read_small
from tests.runtime.kitchen import PIECE, ROOM
from tests.season.hostile import BAGS, CALENDARS, ROOMS, calendar_of, event
from tests.season.playing import DURATION_S

LIMIT_DBFS = -20.0
"""Of the cap in room.toml as it was first written."""
_HOURS = f"""
time_zone = "Europe/Berlin"
when_clock_is_unsure = "last known"

[programme]
performances = [{", ".join(f'"{name}"' for name in DURATION_S)}]
rest_s = 90
"""
_FRIDAY = event("RRULE:FREQ=WEEKLY;BYDAY=FR", number=1).replace("20261001T10", "20261002T22")
_CALENDAR = calendar_of(event("RRULE:FREQ=DAILY"), _FRIDAY.replace("20261001T20", "20261003T02"))
"""Every day from 10:00 to 20:00, and on Friday from 22:00 to 02:00."""


class Folder:
    """An installation within a folder; its hours stand in a calendar file."""

    def __init__(self, within: Path) -> None:
        self.path = within / "late-bread"
        self._performances = self.path / "performances"
        for name in DURATION_S:
            (self._performances / name).mkdir(parents=True)
        (self.path / "piece.toml").write_text(PIECE)
        (self.path / "hours.toml").write_text(_HOURS)
        self.wanted_dbfs = LIMIT_DBFS
        """The limit that people want at present."""
        self.mend_room()
        self.mend_calendar()

    def mend_calendar(self) -> None:
        (self.path / "hours.ics").write_bytes(_CALENDAR)

    def spoil_calendar(self, kind: str) -> None:
        """One of CALENDARS."""
        (self.path / "hours.ics").write_bytes(CALENDARS[kind])

    @property
    def room_is_good(self) -> bool:
        return (self.path / "room.toml").read_text() == self._room()

    def mend_room(self) -> None:
        (self.path / "room.toml").write_text(self._room())

    def spoil_room(self, kind: str) -> None:
        """One of ROOMS."""
        (self.path / "room.toml").write_text(ROOMS[kind](self._room()))

    def raise_limit(self, by_db: float) -> None:
        """Somebody writes a louder cap than the one that is in force."""
        (self.path / "room.toml").write_text(self._room(self.wanted_dbfs + by_db))

    def drop(self, kind: str) -> Path | None:
        """One of BAGS, where nothing else lies."""
        path = self._performances / "first-batch.now"
        if path.exists() or path.is_symlink():
            return None
        BAGS[kind](path)
        return path

    def take_away(self, bag: Path) -> None:
        if bag.is_symlink():
            bag.unlink()
        else:
            shutil.rmtree(bag)

    def _room(self, limit_dbfs: float | None = None) -> str:
        limit = self.wanted_dbfs if limit_dbfs is None else limit_dbfs
        return ROOM.format(port=47_399).replace("-20.0", f"{limit:.2f}")


class Trial:
    """The planner's process with a bag in another's place, as far as a season has one: the bag is verified."""

    def __init__(self, _module: str, arguments: Sequence[str]) -> None:
        name, _, bag = arguments[-1].partition("=")
        try:
            stopping = stops(found := list(verify(Path(bag))))
            why = " ".join(map(str, found)) if stopping else "Nothing of it can be played."
        except ProblemError as error:
            why = str(error)
        outcome = Outcome(gain_db={}, words={}, duration_s={}, unplayable={name: why})
        self.said = [msgspec.json.encode(outcome) + b"\n"]
        self.status, self.complaint = 0, ""

    def end(self) -> None:
        pass


def trial(module: str, arguments: Sequence[str]) -> ChildProcess:
    """Begins one."""
    return cast(ChildProcess, Trial(module, arguments))


Answer = expansion.Expansion | ProblemError
_asked = expansion._asked
_answers: dict[tuple[bytes, str, int], Answer] = {}


def asked_once(
    path: Path,
    zone: ZoneInfo,
    known: Collection[str] | None,
    words: EventWords,
    year: int,
    bounds: expansion.Bounds,
) -> expansion.Expansion:
    """What the child makes of a calendar file; one with the same text is not given to another child."""
    key = read_small(path, MOST_BYTES), zone.key, year
    if key not in _answers:
        try:
            _answers[key] = _asked(path, zone, known, words, year, bounds)
        except ProblemError as error:
            _answers[key] = error
    answer = _answers[key]
    if isinstance(answer, ProblemError):
        raise answer
    return answer
