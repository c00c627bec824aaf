"""`residue report`: what the level log proves, for whoever answers for safety."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from residue.cli.common import DAY, INSTALLATION, STATE, check_days, progress, tell
from residue.cli.screen import say

_FOLDER = click.Path(path_type=Path, file_okay=False)


@click.command()
@INSTALLATION
@click.option("--day", type=DAY, show_default="the last of the log", help="One day.")
@click.option("--from", "first", type=DAY, help="The first of several days.")
@click.option("--to", "last", type=DAY, help="The last of several days.")
@click.option("--out", type=_FOLDER, show_default="report-DATE", help="The folder to write into.")
@STATE
def report(
    installation: Path,
    day: date | None,
    first: date | None,
    last: date | None,
    out: Path | None,
    state: Path | None,
) -> None:
    """Write a report of some days: levels against each cap, exposure, opening hours, what people did, what went wrong.

    For whoever answers for safety. Opening hours and caps are those that were in force then. A broken file stops
    nothing: the report says what is missing. Makes report.html, which prints on A4, a picture of each day, and CSV
    files. Exit status 1 where a cap was exceeded.

    \b
    Example: residue report archives/night-dough --day 2026-12-01 --out report
    """
    from residue.runtime.house.kept_files import found_in_force
    from residue.runtime.journal.log import FILE_NAME
    from residue.runtime.report.house import house_of
    from residue.runtime.report.writing import PAGE, last_day, write_report
    from residue.runtime.system.clock import SystemClock
    from residue.runtime.system.folders import state_folder

    if day and (first or last):
        raise click.UsageError("Name either --day, or --from and --to.")
    if bool(first) != bool(last):
        raise click.UsageError("--from and --to belong together.")
    if first and last:
        check_days(first, last)
    folder = state or state_folder()
    house, log_path = house_of(installation, found_in_force(installation, folder)), folder / FILE_NAME
    begin, end = first or day, last or day
    days = (begin, end) if begin and end else (last_day(house, log_path),) * 2
    out = out or Path(f"report-{days[0]}" if days[0] == days[1] else f"report-{days[0]}-{days[1]}")
    with progress("Reporting") as bar:
        told = write_report(house, log_path, *days, out, SystemClock().now(), bar)
    tell(house.broken)
    passed = [f"{one.date}: {course.cap.name}" for one in told for course in one.courses if not course.kept]
    for line in passed:
        say(f"Exceeded on {line}")
    say(f"{out / PAGE}", err=True)
    click.get_current_context().exit(1 if passed else 0)
