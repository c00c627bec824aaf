"""The installation in force while the house runs: its one holder, from which all other parts get it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from residue.installation.load import (
    HOURS,
    HOURS_FILES,
    PIECE,
    ROOM,
    Installation,
    check_room_for,
    find_performances,
    read_hours,
    read_piece,
    read_room,
)
from residue.installation.room import Room
from residue.installation.tightening import differences, tightened
from residue.loudness.caps.caps import Cap, protecting_caps
from residue.loudness.caps.tightening import stricter_caps
from residue.mapping.graph import Graph
from residue.problems import ProblemError, stops
from residue.runtime.house.kept_files import hours_differ, hours_files, keep_openings, kept
from residue.schedule import agenda
from residue.schedule.answer import HoursOutcome
from residue.schedule.beside import CALENDAR_FILE
from residue.schedule.calendar import HORIZON_DAYS, Calendar
from residue.schedule.spans import local
from residue.schedule.watched import LoadedFiles, Refused, Watched
from residue.small_files import read_whole

_AHEAD_DAYS = HORIZON_DAYS + 60
"""The openings of so many days are ready before anybody who waits asks for them: 60 days more than the next change is
searched for, our own choice."""
RESTART = "To use it, restart the program by hand: sudo systemctl restart residue."


@dataclass(frozen=True, slots=True)
class Change:
    """A change that can take force now."""

    installation: Installation
    hours: bool = False
    limits: bool = False
    """Stricter caps, or lower trims."""


class InForce:
    """The installation in force, which a call returns. It watches all files of the folder.

    New hours take force if all of them are reliable; of room.toml, stricter caps and lower trims take force. All other
    changes are reported, and wait for a start by a person.

    state: the folder in which the files in force are kept. happened: writes into the event log: kind, text.
    """

    def __init__(
        self,
        installation: Installation,
        state: Path,
        now: Callable[[], datetime],
        happened: Callable[[str, str], None],
    ) -> None:
        self._installation = installation
        self._state = state
        self._now = now
        self._happened = happened
        self._told: dict[str, str] = {}
        """By file: its fault, or its difference to the file in force."""
        folder = installation.folder
        named = [folder / name for name in installation.graph.files]
        self._named_files = _digests(named)
        others = hours_differ(installation)  # read by the first look: a calendar may take long, and a start may not
        written = [installation.home_of_hours / name for name in HOURS_FILES]
        self._hours = Watched(written, self._read_hours, unread=others)
        self.hours_outcome = HoursOutcome(at=now(), saved=_saved(installation.home_of_hours))
        """What became of the curator's files when they were read last."""
        self._room = Watched([folder / ROOM], self._read_room)
        self._piece = Watched([folder / PIECE, *named], self._read_piece)
        self._ahead: tuple[Calendar, date] | None = None
        self._look_at_start()

    def __call__(self) -> Installation:
        """The installation in force."""
        return self._installation

    @property
    def alarms(self) -> list[str]:
        """The faults of the present files, and their differences to the files in force."""
        return list(self._told.values())

    def take(self, change: Change) -> None:
        """Puts this installation into force."""
        self._installation = change.installation

    def look(self, monotonic_s: float) -> Change | None:
        """Gives the changes that can take force now, and reports the others.

        Call it every second or so; it may be slow.
        """
        match self._piece.look(monotonic_s):
            case LoadedFiles(graph):
                self._tell(PIECE, self._piece_differs(graph))
            case Refused(error):
                self._refuse(PIECE, error)
        change = self._look_at_hours(monotonic_s) or self._look_at_room(monotonic_s)
        self._look_ahead(self._installation if change is None else change.installation)
        return change

    def _look_ahead(self, installation: Installation) -> None:
        """Prepares the coming openings once a day, and keeps them.

        Further years of a calendar file take a process, which neither the loop of the house nor a start must wait for.
        """
        calendar, events = installation.calendar, installation.answers.events
        today = local(self._now(), calendar.zone).date()
        if self._ahead == (calendar, today):
            return
        self._ahead = calendar, today
        if events is not None and events.ask_again is not None:
            events.ask_again()
        try:
            calendar.openings(today, _AHEAD_DAYS)
        except ProblemError as error:
            self._tell(CALENDAR_FILE, f"The hours of the coming {_AHEAD_DAYS} days cannot be worked out. {error}")
        else:
            self._tell(CALENDAR_FILE, None)
        keep_openings(installation, self._state)

    def _look_at_hours(self, monotonic_s: float) -> Change | None:
        match self._hours.look(monotonic_s):
            case LoadedFiles((installation, checked)):
                self._told.pop(HOURS, None)
                self._note_hours()
                understood = agenda.at_present(installation.calendar, self._now())
                self._happened("hours", f"The new hours are in force. {understood}")
                return Change(kept(installation, self._state, checked), hours=True)
            case Refused(error):
                self._refuse_hours(error)
        return None

    def _look_at_room(self, monotonic_s: float) -> Change | None:
        match self._room.look(monotonic_s):
            case LoadedFiles(written):
                before, now = self._installation.room, tightened(self._installation.room, written)
                self._tell(ROOM, _differs(ROOM, differences(now, written)))
                if now != before:
                    self._happened("limits", _stricter_in_words(before, now, local(self._now(), self._zone)))
                    return Change(kept(replace(self._installation, room=now), self._state), limits=True)
            case Refused(error):
                self._refuse(ROOM, error)
        return None

    def _look_at_start(self) -> None:
        """Reports files that were broken, or changed, while nothing ran."""
        with _faults(lambda error: self._refuse(ROOM, error)):
            self._tell(ROOM, _differs(ROOM, differences(self._installation.room, self._read_room())))
        with _faults(lambda error: self._refuse(PIECE, error)):
            self._tell(PIECE, self._piece_differs(self._read_piece()))

    # Reports.

    def _tell(self, file: str, words: str | None) -> None:
        if words is None:
            self._told.pop(file, None)
        elif self._told.get(file) != words:
            self._told[file] = words
            self._happened("files", words)

    def _refuse(self, file: str, error: ProblemError) -> None:
        self._tell(file, f"{file} was changed and is refused; the earlier one stays in force. {error}")

    def _note_hours(self, error: ProblemError | None = None) -> None:
        faults = () if error is None else error.findings
        saved = _saved(self._installation.home_of_hours)
        self.hours_outcome = HoursOutcome(at=self._now(), saved=saved, faults=faults)

    def _refuse_hours(self, error: ProblemError) -> None:
        self._note_hours(error)
        self._told[HOURS] = f"The new hours are refused, and the old ones stay in force. {error}"
        self._happened("hours", self._told[HOURS])

    def _piece_differs(self, graph: Graph) -> str | None:
        """Whether the pieces differ; formatting and comments make no difference."""
        same = graph.piece == self._installation.piece and _digests(list(self._named_files)) == self._named_files
        return None if same else _differs(PIECE, "another piece, or another file that it names")

    # Reading; each function raises ProblemError with all faults.

    @property
    def _zone(self) -> ZoneInfo:
        return self._installation.calendar.zone

    def _read_hours(self) -> tuple[Installation, Mapping[str, bytes] | None]:
        """The installation with new hours, and the files; Watched takes them only if nobody changed them meanwhile."""
        home = self._installation.home_of_hours
        files = _readable(home)
        performances = find_performances(self._installation.folder)
        hours, answers, findings = read_hours(home, performances)
        if hours is None or answers is None or stops(findings):
            raise ProblemError(findings)
        places = {**self._installation.places, HOURS: home}
        new = replace(self._installation, hours=hours, answers=answers, performances=performances, places=places)
        return new, files

    def _read_room(self) -> Room:
        """A room.toml that could be started with, and whose limits fit the room in force."""
        room, findings = read_room(self._installation.folder / ROOM)
        if room is not None:
            findings += check_room_for(self._installation.graph, room)
            if not stops(findings):
                findings = check_room_for(None, tightened(self._installation.room, room))
        if room is None or stops(findings):
            raise ProblemError(findings)
        return room

    def _read_piece(self) -> Graph:
        graph, findings = read_piece(self._installation.folder / PIECE)
        if graph is not None:
            findings += check_room_for(graph, self._installation.room)
        if graph is None or stops(findings):
            raise ProblemError(findings)
        return graph


@contextmanager
def _faults(tell: Callable[[ProblemError], None]) -> Iterator[None]:
    """Reports faults instead of raising them."""
    try:
        yield
    except ProblemError as error:
        tell(error)


def _saved(folder: Path) -> Mapping[str, datetime]:
    """When each of the curator's files that is there was saved."""
    found: dict[str, datetime] = {}
    for name in HOURS_FILES:
        with suppress(OSError):
            found[name] = datetime.fromtimestamp((folder / name).stat().st_mtime, UTC)
    return found


def _readable(folder: Path) -> Mapping[str, bytes] | None:
    """The curator's files; None where they cannot be read: whoever checks them says why."""
    with suppress(OSError):
        return hours_files(folder)
    return None


def _digests(files: Sequence[Path]) -> Mapping[Path, bytes]:
    """The digests of the files; a file that cannot be read counts as empty."""
    found = dict.fromkeys(files, b"")
    for path in files:
        with suppress(OSError):
            found[path] = hashlib.sha256(read_whole(path)).digest()
    return found


def _differs(file: str, how: str | None) -> str | None:
    return None if how is None else f"{file} differs from what is in force: {how}. {RESTART}"


def _stricter_in_words(before: Room, now: Room, at: datetime) -> str:
    """A sentence on the limits that have taken force, and on how long the time before counts against them."""
    caps = [*stricter_caps(before.caps, now.caps), *_power_caps(before, now)]
    lower = [name for name, output in now.output.items() if output.trim_db < before.output[name].trim_db]
    told = [f"{cap.name} {cap.limit_in_words}" for cap in caps]
    told += [f"trim of {name} {now.output[name].trim_db:g} dB" for name in lower]
    longest_s = max((cap.window_s for cap in caps), default=0.0)
    counts = ""
    if longest_s:
        until = at + timedelta(seconds=longest_s)
        counts = (
            f" Sound played before counts as well: the house can be quieter, or silent, until {until:%H:%M} at most."
        )
    return f"Stricter limits of room.toml are in force: {'; '.join(told)}.{counts}"


def _power_caps(before: Room, now: Room) -> list[Cap]:
    return [cap for cap in protecting_caps(now.output) if cap not in protecting_caps(before.output)]
