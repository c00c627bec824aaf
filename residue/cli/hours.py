"""`residue hours`: when it will be open and what it will play."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from residue.cli.common import AS_JSON, INSTALLATION, print_json


@click.command()
@INSTALLATION
@click.option("--from", "first", type=click.DateTime(["%Y-%m-%d"]), help="The first day; today if not given.")
@click.option("--days", type=click.IntRange(1, 3_660), default=14, show_default=True)
@AS_JSON
def hours(installation: Path, first: datetime | None, days: int, as_json: bool) -> None:
    """Say when the house will be open in the coming days, and what it will play.

    For the curator, before it happens.

    \b
    Example: residue hours archives/night-dough --from 2026-12-20 --days 14
    """
    from residue.installation.load import load
    from residue.runtime.clock import SystemClock
    from residue.schedule import agenda
    from residue.schedule.hours import calendar

    loaded = load(installation)
    days_of_house = calendar(loaded.hours)
    now = SystemClock().now().astimezone(days_of_house.zone)
    day = first.date() if first else now.date()
    if as_json:
        print_json(agenda.data(days_of_house, day, days))
        return
    for line in agenda.words(days_of_house, day, days):
        click.echo(line)
    programme = loaded.hours.programme
    click.echo(f"Programme: {', '.join(programme.performances)}; rest of {programme.rest_s:g} s after each.")
