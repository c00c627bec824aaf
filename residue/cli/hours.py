"""`residue hours`: when it will be open and what it will play."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from residue.cli.common import AS_JSON, DAY, INSTALLATION, MOST_DAYS, print_json, progress, tell
from residue.cli.screen import say

if TYPE_CHECKING:
    from residue.installation.load import Installation


@click.command()
@INSTALLATION
@click.option("--from", "first", type=DAY, show_default="today", help="The first day.")
@click.option("--days", type=click.IntRange(1, MOST_DAYS), default=14, help="Number of days.")
@click.option(
    "--ics", type=click.Path(path_type=Path, dir_okay=False), help="Write a calendar file with every performance."
)
@AS_JSON
def hours(installation: Path, first: date | None, days: int, ics: Path | None, as_json: bool) -> None:
    """List the openings of the coming days, and what will be played.

    For the curator, before it happens.

    \b
    Example: residue hours archives/night-dough --from 2026-12-20 --ics house.ics
    """
    from residue.archive.beside import asked_for
    from residue.installation.load import load
    from residue.runtime.system.clock import SystemClock
    from residue.schedule import agenda
    from residue.schedule.doubts import doubts, out_of_time
    from residue.schedule.spans import local

    loaded = load(installation)
    now = SystemClock().now()
    today = local(now, loaded.calendar.zone).date()
    day = first or today
    programme = loaded.hours.programme
    if ics is not None:
        house = f"{loaded.piece.title}, {loaded.room.place}"
        written = agenda.ics(loaded.calendar, day, days, programme, _durations_s(loaded), now, house)
        with asked_for(ics) as making:
            making.write_bytes(written)
        say(f"{ics}: the openings of {days} days", err=True)
    doubted = [*out_of_time(loaded.hours, today), *doubts(loaded.hours, loaded.answers, day, days)]
    tell([*loaded.answers.findings, *doubted])
    if as_json:
        print_json(agenda.data(loaded.calendar, day, days))
        return
    days_told = agenda.words(loaded.calendar, day, days)
    for line in [*days_told, *agenda.programme_words(programme), agenda.clock_words(loaded.hours)]:
        say(line)
    if loaded.room.in_step is not None:
        say("In step with other rooms: all that have these hours and this piece play the same at the same moment.")


def _durations_s(loaded: Installation) -> dict[str, float]:
    """The sounding lengths: the form of a piece may end a performance before its recording ends."""
    from residue.runtime.planning.preparation import level_profile, open_performance
    from residue.runtime.system.folders import cache_folder

    cache = cache_folder()
    with progress("Preparing") as bar:
        opened = {name: open_performance(loaded, name, cache, bar) for name in loaded.played}
        return {name: level_profile(loaded, one, cache, bar).duration_s for name, one in opened.items()}
