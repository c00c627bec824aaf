"""Writing a report: an HTML page, a picture of each day, and CSV files beside it."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path

from residue.archive.beside import disk_problem
from residue.problems import ProblemError, stopping
from residue.progress import Progress, silent
from residue.runtime.journal.reading import LogReader
from residue.runtime.report.days import ReportedDay, days, zone_of
from residue.runtime.report.house import ReportedHouse
from residue.runtime.report.page import page
from residue.runtime.report.pictures import draw_day
from residue.runtime.report.tables import tables
from residue.schedule.spans import local

PAGE = "report.html"


def last_day(house: ReportedHouse, log_path: Path) -> date:
    """The last local day with rows in the log. Raises ProblemError."""
    log = LogReader(log_path)
    try:
        last = log.last_moment()
        zone = zone_of(house, log)
    except (sqlite3.Error, OSError) as error:
        raise unreadable_log(log_path, error) from error
    if last is None:
        what = " ".join(log.faults) or "There is no level log, or nothing in it."
        mend = "Let the house run first, or name the folder of its log with --state. To ask for a day, write --day."
        raise stopping(str(log_path), what, mend)
    return local(last, zone).date()


def write_report(
    house: ReportedHouse,
    log_path: Path,
    first: date,
    last: date,
    out: Path,
    now: datetime,
    progress: Progress = silent,
) -> Sequence[ReportedDay]:
    """Writes everything into a folder, which is made; files of the same names are replaced.

    What is damaged in the log or the installation is named in the report. Raises ProblemError.
    """
    count, told, pictures, log = (last - first).days + 1, [], {}, LogReader(log_path)
    try:
        zone = zone_of(house, log)
        for day in days(house, log, first, last, now):
            pictures[day.date.isoformat()] = draw_day(day)
            told.append(day)
            progress(f"{day.date}", len(told), count)
    except (sqlite3.Error, OSError) as error:
        raise unreadable_log(log_path, error) from error
    files = {f"{name}.png": picture for name, picture in pictures.items()}
    files |= {name: text.encode() for name, text in tables(told, zone).items()}
    files[PAGE] = page(house, told, pictures, now, zone).encode()
    try:
        out.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            (out / name).write_bytes(content)
    except OSError as error:
        raise disk_problem(out, error) from error
    return told


def unreadable_log(log_path: Path, error: Exception) -> ProblemError:
    """The problem that a level log cannot be read."""
    mend = "Do it as a user who may read it (with sudo before residue), or copy the log elsewhere first."
    return stopping(str(log_path), f"The level log cannot be read: {error}.", mend)
