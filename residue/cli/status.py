"""`residue status`: what the running daemon does now."""

from __future__ import annotations

import time
from pathlib import Path

import click

from residue.cli.common import AS_JSON, print_json
from residue.cli.house import AT, HOUSE, HouseAddress, addressed
from residue.columns import folded

_WATCH_S = 1.0


@click.command()
@HOUSE
@AT
@click.option("--watch", is_flag=True, help="Show it again every second, until Ctrl-C.")
@AS_JSON
def status(installation: Path | None, at: str | None, watch: bool, as_json: bool) -> None:
    """Show what the running house does now: whether it is silent because it should be, and until when.

    For the gallery technician, and for whoever is asked why it is quiet. Name the INSTALLATION where its room.toml has
    another address or port.

    \b
    Example: residue status --watch
    """
    from residue.control.query import status as ask
    from residue.control.status_in_words import in_words

    place = addressed(installation, at)
    if watch:
        _watch(place)
    elif as_json:
        print_json(ask(place.host, place.port, place.meant))
    else:
        click.echo("\n".join(in_words(ask(place.host, place.port, place.meant))))


def _watch(place: HouseAddress) -> None:
    from residue.control.query import status as ask
    from residue.control.status_in_words import COLUMNS, in_words
    from residue.problems import ProblemError

    while True:
        try:
            shown = "\n".join(in_words(ask(place.host, place.port, place.meant)))
        except ProblemError as error:  # a house that starts again answers again
            shown = folded(str(error), COLUMNS)
        click.clear()
        click.echo(shown)
        time.sleep(_WATCH_S)
