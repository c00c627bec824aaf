"""Writing a report: an HTML page, a picture of each day, and CSV files beside it."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path

from residue.archive.beside import disk_problem
from residue.installation.load import Installation
from residue.problems import stopping
from residue.progress import Progress, silent
from residue.runtime.journal.in_force_digest import digest_in_force
from residue.runtime.journal.log import LevelLog
from residue.runtime.report.days import ReportedDay, days
from residue.runtime.report.page import page
from residue.runtime.report.pictures import draw_day
from residue.runtime.report.tables import tables
from residue.schedule.spans import local

PAGE = "report.html"


def last_day(installation: Installation, log_path: Path) -> date:
    """The last local day with rows in the log. Raises ProblemError."""
    try:
        last = LevelLog(log_path).last_moment()
    except (sqlite3.Error, OSError) as error:
        raise _unreadable(log_path, error) from error
    if last is None:
        mend = "Let the house run first, or name the folder of its log with --state."
        raise stopping(str(log_path), "There is no level log, or nothing in it.", mend)
    return local(last, installation.calendar.zone).date()


def write_report(
    installation: Installation,
    log_path: Path,
    first: date,
    last: date,
    out: Path,
    now: datetime,
    progress: Progress = silent,
) -> Sequence[ReportedDay]:
    """Writes everything into a folder, which is made; files of the same names are replaced.

    Raises ProblemError.
    """
    count, told, pictures = (last - first).days + 1, [], {}
    try:
        for day in days(installation, LevelLog(log_path), first, last):
            pictures[day.date.isoformat()] = draw_day(day)
            told.append(day)
            progress(f"{day.date}", len(told), count)
    except (sqlite3.Error, OSError) as error:
        raise _unreadable(log_path, error) from error
    files = {f"{name}.png": picture for name, picture in pictures.items()}
    files |= {name: text.encode() for name, text in tables(told, installation.calendar.zone).items()}
    files[PAGE] = page(installation, told, pictures, digest_in_force(installation), now).encode()
    try:
        out.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            (out / name).write_bytes(content)
    except OSError as error:
        raise disk_problem(out, error) from error
    return told


def _unreadable(log_path: Path, error: Exception) -> Exception:
    if isinstance(error, sqlite3.DatabaseError) and not isinstance(error, sqlite3.OperationalError):
        mend = "It is damaged, and the program begins a new one at its next start. Name another with --state."
    else:
        mend = "Run the report as a user who may read it (sudo residue report …), or copy the log elsewhere first."
    return stopping(str(log_path), f"The level log cannot be read: {error}.", mend)
