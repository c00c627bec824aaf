"""`residue share`: the folder of the hours, shared with the curator's computer."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.common import INSTALLATION


@click.command()
@INSTALLATION
@click.option("--install", is_flag=True, help="Make the folder and have Samba share it; needs sudo.")
@click.option("--folder-only", is_flag=True, help="With --install: make the folder, and share it with nobody.")
@click.option("--before-start", is_flag=True, help="With --install: the service is let in and started afterwards.")
@click.option("--remove", is_flag=True, help="End the share and remove its user; the folder stays. Needs sudo.")
def share(installation: Path, *, install: bool, folder_only: bool, before_start: bool, remove: bool) -> None:
    """Print how Samba is to share the folder of [hours_folder] in room.toml with the curator's computer.

    For the gallery technician. Without --install and --remove nothing is changed.

    \b
    Example: residue share archives/night-dough
    """
    from residue.installation.load import ROOM, room_of
    from residue.problems import stopping
    from residue.runtime.offline.sharing import CURATOR, definition, prepare, unshare
    from residue.runtime.offline.sharing import share as share_with_samba

    if remove:
        for line in unshare():
            click.echo(line, err=True)
        return
    folder = room_of(installation).hours_folder
    if folder is None:
        mend = 'Write a table [hours_folder] with path = "/srv/residue-hours".'
        raise stopping(f"{ROOM}: hours_folder", "It names no folder for the curator's files.", mend)
    if not install:
        click.echo(definition(folder), nl=False)
        return
    done = prepare(installation, folder)
    if not folder_only:
        done += [*share_with_samba(folder), f"Give the curator a password for it: sudo smbpasswd -a {CURATOR}"]
    if not before_start:
        done.append(f"Let the service in: sudo residue unit {installation} --install && sudo systemctl restart residue")
    for line in done:
        click.echo(line, err=True)
