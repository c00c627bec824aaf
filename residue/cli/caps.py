"""`residue caps`: the caps of a room and the published rules."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.common import AS_JSON, INSTALLATION, print_json, progress, tell
from residue.cli.screen import say


@click.command()
@INSTALLATION
@AS_JSON
def caps(installation: Path, as_json: bool) -> None:
    """List the caps in force and all published rules, and what each would mean for this installation.

    For the gallery technician and whoever answers for safety, before a cap is chosen.

    \b
    Example: residue caps archives/night-dough
    """
    from residue.runtime.offline import cap_overview
    from residue.runtime.system.folders import cache_folder

    with progress("Preparing") as bar:
        told = cap_overview.overview(installation, cache_folder(), bar)
    if as_json:
        print_json(cap_overview.data(told))
        return
    for line in cap_overview.words(told):
        say(line)
    tell(tuple(told.findings))
