"""`residue unit`: what the unit of the service lacks for this room."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.common import INSTALLATION


@click.command()
@INSTALLATION
@click.option("--install", is_flag=True, help="Write it to where the service of this machine finds it; needs sudo.")
def unit(installation: Path, *, install: bool) -> None:
    """Print the drop-in for the service's unit: what this room reaches over the network and which devices it opens.

    For the gallery technician, after an edit of room.toml: the service may reach and open nothing else.

    \b
    Example: residue unit archives/night-dough
    """
    from residue.installation.load import room_of
    from residue.installation.unit_needs import drop_in
    from residue.runtime.offline.unit_findings import give_unit, needs_in
    from residue.runtime.system.unit_files import DROP_IN

    room = room_of(installation)
    if not install:
        click.echo(drop_in(needs_in(installation, room)), nl=False)
        return
    give_unit(installation, room)
    click.echo(f"{DROP_IN} is written. It takes force with: sudo systemctl restart residue", err=True)
