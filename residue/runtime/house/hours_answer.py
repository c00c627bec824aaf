"""Writes the answer to the curator into the folder of the hours, whenever it has become another one."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path

from residue.installation.load import HOURS_FILES, Installation
from residue.problems import ProblemError
from residue.runtime.system.shared_files import put_shared
from residue.schedule import agenda
from residue.schedule.answer import HoursOutcome, answer
from residue.schedule.hours_folder import ANSWER, ANSWER_CALENDAR
from residue.schedule.spans import instant, local

_CALENDAR_DAYS = 60
"""So many days are worked out beforehand: see InForce."""
_MOST_OTHERS = 10


class HoursAnswer:
    """Knows what it wrote last. alarm: a sentence while the folder cannot be written."""

    def __init__(self) -> None:
        self._written: tuple[object, ...] = ()
        self.alarm: str | None = None

    def look(
        self,
        installation: Installation,
        outcome: HoursOutcome,
        now: datetime,
        fetching: str = "",
    ) -> None:
        """Writes both files if they are to be others; nothing where room.toml names no folder.

        Call it every second or so, beside the loop. fetching: a sentence on the calendar on the web.
        """
        named = installation.room.hours_folder
        if named is None:
            return
        folder, today = Path(named.path), local(now, installation.calendar.zone).date()
        try:
            others = _others(folder)
            present = installation.answers, installation.hours, outcome, today, fetching, others
            if self._written == present and (folder / ANSWER).exists() and (folder / ANSWER_CALENDAR).exists():
                return
            text = answer(
                f"{installation.room.place}, {installation.piece.title}",
                installation.hours,
                installation.answers,
                outcome,
                today,
                fetching=fetching,
                others=others,
            )
            put_shared(folder / ANSWER, text.replace("\n", "\r\n").encode())  # as every editor shows lines
            put_shared(folder / ANSWER_CALENDAR, _calendar(installation, outcome, today))
        except OSError as error:
            self.alarm = f"The curator's folder {folder} cannot be written: {error.strerror}. {_MEND}"
        except ProblemError as error:
            self.alarm = f"The answer to the curator cannot be made: {error}"
        else:
            self._written, self.alarm = present, None


_MEND = "See that it is there and that the group audio may write to it: sudo residue share INSTALLATION --install."


def _others(folder: Path) -> Sequence[str]:
    """Names of files that a person may have meant as hours; hidden ones are those of programs."""
    ours = {*HOURS_FILES, ANSWER, ANSWER_CALENDAR}
    found = sorted(path.name for path in folder.iterdir() if path.name not in ours and not path.name.startswith("."))
    # A name may hold a line break, or be no text.
    names = ["".join(sign if sign.isprintable() else "?" for sign in name) for name in found]
    left = [f"and {len(names) - _MOST_OTHERS} more"] if len(names) > _MOST_OTHERS else []
    return [*names[:_MOST_OTHERS], *left]


def _calendar(installation: Installation, outcome: HoursOutcome, today: date) -> bytes:
    """The openings as a calendar file; its time of writing stands still as long as nothing changes."""
    calendar = installation.calendar
    written = max(outcome.at, instant(today, 0, calendar.zone))
    house = f"{installation.piece.title}, {installation.room.place}"
    programme = installation.hours.programme
    return agenda.ics(calendar, today, _CALENDAR_DAYS, programme, {}, written, house)
